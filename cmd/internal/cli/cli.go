// Package cli is what the programs of this module have in common on the
// command line: exit statuses, the world a subcommand may use, and the inputs
// that several of them read.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
)

// Exit statuses, the same for every subcommand.
const (
	ExitGood     = 0
	ExitFound    = 1
	ExitUnusable = 2
)

// Env is what a subcommand may use of the world outside.
type Env struct {
	In          io.Reader
	Out, ErrOut io.Writer
	Logger      *slog.Logger
	Now         func() time.Time
}

// usageError marks input that cannot be used at all: exit status 2.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

// Unusable returns an error that ends the program with exit status 2.
func Unusable(format string, args ...any) error {
	return usageError{fmt.Errorf(format, args...)}
}

// IsUnusable reports whether an error says that input cannot be used at all.
func IsUnusable(err error) bool {
	var usage usageError
	return errors.As(err, &usage)
}

// Program is one program with its subcommands.
type Program struct {
	Name, Description string
	// Commands is a pointer to a struct each of whose fields is a subcommand,
	// tagged for kong. Their Run methods may ask for a context.Context and an
	// *Env.
	Commands any
}

// Main runs the program on this process's arguments, files and clock until it
// ends or is interrupted, and returns its exit status.
func (p Program) Main() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return p.Run(ctx, &Env{
		In:     os.Stdin,
		Out:    os.Stdout,
		ErrOut: os.Stderr,
		Logger: slog.New(slog.NewTextHandler(os.Stderr, nil)),
		Now:    time.Now,
	}, os.Args[1:])
}

// Run is the program without the process around it.
func (p Program) Run(ctx context.Context, e *Env, args []string) int {
	// kong leaves by calling Exit for --help; the status must come back here
	// instead so that tests can run the program in-process.
	exited := -1
	parser, err := kong.New(p.Commands,
		kong.Name(p.Name),
		kong.Description(p.Description),
		kong.Writers(e.Out, e.ErrOut),
		kong.Exit(func(code int) { exited = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}),
		kong.WithHyphenPrefixedParameters(true),
		kong.Bind(e),
		kong.BindTo(ctx, (*context.Context)(nil)),
	)
	if err != nil {
		fmt.Fprintf(e.ErrOut, "%s: %v\n", p.Name, err)
		return ExitUnusable
	}
	parsed, err := parser.Parse(args)
	if exited >= 0 {
		return exited
	}
	if err != nil {
		fmt.Fprintf(e.ErrOut, "%s: %v (see %s --help)\n", p.Name, err, p.Name)
		return ExitUnusable
	}
	err = parsed.Run()
	if err == nil {
		return ExitGood
	}
	fmt.Fprintf(e.ErrOut, "%s: %v\n", p.Name, err)
	if IsUnusable(err) {
		return ExitUnusable
	}
	return ExitFound
}
