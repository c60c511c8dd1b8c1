package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"text/tabwriter"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/prove/simulate"
	"rearguard/cmd/prove/simulate/faulty"
)

type simulateCommand struct {
	Runs    int      `default:"1000" help:"Runs to play."`
	Seed    uint64   `default:"1" help:"Seed of the first run; each further one has the next." placeholder:"N"`
	Workers int      `default:"0" help:"Runs played at a time; 0 for one on each processor."`
	Only    []string `help:"Only these kinds of events, and forms of sensors." placeholder:"KIND"`
	Without []string `help:"All kinds of events, and forms of sensors, but these." placeholder:"KIND"`
	Most    int      `default:"20" help:"Stop after so many broken rules; 0 for never."`
	AsFound bool     `help:"Tell broken rules as they were found, without leaving out what they do not need."`
	Faults  bool     `help:"Put known faults back into a copy of the source, one at a time, and count the runs until each is found; --runs is then the most for one, and --only are words of their names."`
	Folder  string   `help:"Where runs keep their records meanwhile; best in memory, as /dev/shm." placeholder:"DIR"`
	JSON    bool     `help:"Print as JSON."`
}

func (c *simulateCommand) Run(ctx context.Context, e *cli.Env) error {
	if c.Runs < 1 || c.Workers < 0 || c.Most < 0 {
		return cli.Unusable("--runs %d, --workers %d, --most %d: at least one run is needed, and no number below 0", c.Runs, c.Workers, c.Most)
	}
	if c.Faults {
		return c.faults(ctx, e)
	}
	workers := c.Workers
	if workers == 0 {
		workers = runtime.NumCPU()
	}
	o := simulate.Options{
		Seed: c.Seed, Runs: c.Runs, Workers: workers, Only: c.Only, Without: c.Without, Most: c.Most, Folder: c.Folder, AsFound: c.AsFound,
	}
	if err := o.Check(); err != nil {
		return cli.Unusable("%w", err)
	}
	// What was found before an interruption is told all the same.
	report, failed := simulate.Run(ctx, o)
	if err := errors.Join(c.print(e.Out, report), failed); err != nil {
		return err
	}
	if n := len(report.Breaches); n > 0 {
		return fmt.Errorf("%d of %d runs broke a rule", n, report.Runs)
	}
	return nil
}

func (c *simulateCommand) print(out io.Writer, report simulate.Report) error {
	if c.JSON {
		encoder := json.NewEncoder(out)
		encoder.SetIndent("", "  ")
		return encoder.Encode(report)
	}
	for _, b := range report.Breaches {
		fmt.Fprintf(out, "seed %d: %s\n  %s\n\n", b.Seed, b.Rule, strings.ReplaceAll(b.Story, "\n", "\n  "))
	}
	fmt.Fprintf(out, "%d runs, %d broke a rule\n", report.Runs, len(report.Breaches))
	return nil
}

// faults prints how soon each known fault is found.
func (c *simulateCommand) faults(ctx context.Context, e *cli.Env) error {
	body, err := exec.CommandContext(ctx, "go", "env", "GOMOD").Output()
	root := filepath.Dir(strings.TrimSpace(string(body)))
	if err != nil || root == "." {
		return cli.Unusable("--faults must be run within the source of this program, with Go installed")
	}
	list := []faulty.Fault{}
	w := tabwriter.NewWriter(e.Out, 0, 0, 2, ' ', 0)
	missed := 0
	err = faulty.Measure(ctx, faulty.Options{Root: root, Seed: c.Seed, Most: c.Runs, Only: c.Only, Without: c.Without, Folder: c.Folder}, func(f faulty.Fault) {
		list = append(list, f)
		if f.Runs == 0 {
			missed++
		}
	})
	if err != nil {
		return err
	}
	if c.JSON {
		err = json.NewEncoder(e.Out).Encode(list)
	} else {
		fmt.Fprintln(w, "fault\tlooked for with\truns until found\trule broken")
		for _, f := range list {
			runs := fmt.Sprint(f.Runs)
			if f.Runs == 0 {
				runs = "not found"
			}
			with := strings.Join(f.Needs, ", ")
			if with == "" {
				with = "everything"
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s%s\n", f.What, with, runs, f.Rule, f.Problem)
		}
		err = w.Flush()
	}
	if err == nil && missed > 0 {
		err = fmt.Errorf("%d of %d faults were not found", missed, len(list))
	}
	return err
}
