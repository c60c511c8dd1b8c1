// Command rearguard watches the air of rearing rooms, advances the thermal
// time of every cohort in them, and wakes somebody before the air costs one.
package main

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
	exitGood     = 0
	exitFound    = 1
	exitUnusable = 2
)

// env is what a subcommand may use of the world outside.
type env struct {
	ctx    context.Context
	in     io.Reader
	out    io.Writer
	errOut io.Writer
	logger *slog.Logger
	now    func() time.Time
}

// usageError marks input that cannot be used at all: exit status 2.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

// unusable returns an error that ends the program with exit status 2.
func unusable(format string, args ...any) error {
	return usageError{fmt.Errorf(format, args...)}
}

// commands is the command line. Each field is one subcommand in a file of its
// own.
type commands struct {
	Run         runCommand         `cmd:"" help:"Watch a facility: read its sensors, follow its cohorts, raise its alarms, serve its pages."`
	Demo        demoCommand        `cmd:"" help:"Show all of it on an invented facility, with nothing to configure."`
	Check       checkCommand       `cmd:"" help:"Check a configuration and show every fault in it."`
	Replay      replayCommand      `cmd:"" help:"Handle recorded history again, with the same or a changed configuration."`
	Species     speciesCommand     `cmd:"" help:"List the species known, or explain one with its sources."`
	Plan        planCommand        `cmd:"" help:"Plan backwards: eggs, shipping, host plant, and the shift of an emergence."`
	Learn       learnCommand       `cmd:"" help:"Show what finished cohorts say about this facility's constants."`
	Forecasts   forecastsCommand   `cmd:"" help:"Measure how well forecasts hold, over simulated and replayed cohorts."`
	Incidents   incidentsCommand   `cmd:"" help:"Rehearse failures of invented rooms and measure what the alarms make of them."`
	Performance performanceCommand `cmd:"" help:"Measure the alarm system itself from the records, as ISA-18.2 asks."`
	Backup      backupCommand      `cmd:"" help:"Copy the records into one file, also while the daemon runs."`
	Air         airCommand         `cmd:"" help:"Compute what follows from a temperature and a humidity."`
	DegreeDays  degreeDaysCommand  `cmd:"" help:"Compute the thermal time of a table of temperatures."`
	Sensors     sensorsCommand     `cmd:"" help:"List the sensors of the running daemon, or the topics that no sensor claims."`
	Calibrate   calibrateCommand   `cmd:"" help:"List calibrations of the running daemon, or re-apply one to what is stored."`
	Faults      faultsCommand      `cmd:"" help:"Inject sensor faults into simulated rooms and print how soon each is found, and the false alarms on clean data."`
	Version     versionCommand     `cmd:"" help:"Print the version of this build."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(&env{
		ctx:    ctx,
		in:     os.Stdin,
		out:    os.Stdout,
		errOut: os.Stderr,
		logger: slog.New(slog.NewTextHandler(os.Stderr, nil)),
		now:    time.Now,
	}, os.Args[1:])
	stop()
	os.Exit(code)
}

// run is the program without the process around it.
func run(e *env, args []string) int {
	// kong leaves by calling Exit for --help; the status must come back here
	// instead so that tests can run the program in-process.
	exited := -1
	parser, err := kong.New(&commands{},
		kong.Name("rearguard"),
		kong.Description("Watches the air of rearing rooms and the development of every cohort in them. An aid to the people who rear them, not a life-safety system."),
		kong.Writers(e.out, e.errOut),
		kong.Exit(func(code int) { exited = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}),
		kong.WithHyphenPrefixedParameters(true),
		kong.Bind(e),
	)
	if err != nil {
		fmt.Fprintln(e.errOut, "rearguard:", err)
		return exitUnusable
	}
	parsed, err := parser.Parse(args)
	if exited >= 0 {
		return exited
	}
	if err != nil {
		fmt.Fprintf(e.errOut, "rearguard: %v (see rearguard --help)\n", err)
		return exitUnusable
	}
	err = parsed.Run(e)
	var usage usageError
	switch {
	case err == nil:
		return exitGood
	case errors.As(err, &usage):
		fmt.Fprintln(e.errOut, "rearguard:", err)
		return exitUnusable
	default:
		fmt.Fprintln(e.errOut, "rearguard:", err)
		return exitFound
	}
}
