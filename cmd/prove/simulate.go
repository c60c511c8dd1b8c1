package main

import (
	"context"
	"encoding/json"
	"fmt"
	"runtime"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/prove/simulate"
)

type simulateCommand struct {
	Runs    int      `default:"1000" help:"Runs to play."`
	Seed    uint64   `default:"1" help:"Seed of the first run; each further one has the next." placeholder:"N"`
	Workers int      `default:"0" help:"Runs played at a time; 0 for one on each processor."`
	Only    []string `help:"Only these kinds of events, and forms of sensors." placeholder:"KIND"`
	Without []string `help:"All kinds of events, and forms of sensors, but these." placeholder:"KIND"`
	Most    int      `default:"20" help:"Stop after so many breaches; 0 for never."`
	Folder  string   `help:"Where runs keep their records meanwhile; best in memory, as /dev/shm." placeholder:"DIR"`
	JSON    bool     `help:"Print as JSON."`
}

func (c *simulateCommand) Run(ctx context.Context, e *cli.Env) error {
	if c.Runs < 1 || c.Workers < 0 {
		return cli.Unusable("--runs %d, --workers %d: at least one run is needed", c.Runs, c.Workers)
	}
	workers := c.Workers
	if workers == 0 {
		workers = runtime.NumCPU()
	}
	report, err := simulate.Run(ctx, simulate.Options{
		Seed: c.Seed, Runs: c.Runs, Workers: workers, Only: c.Only, Without: c.Without, Most: c.Most, Folder: c.Folder,
	})
	if err != nil {
		return err
	}
	if c.JSON {
		encoder := json.NewEncoder(e.Out)
		encoder.SetIndent("", "  ")
		if err := encoder.Encode(report); err != nil {
			return err
		}
	} else {
		for _, b := range report.Breaches {
			fmt.Fprintf(e.Out, "seed %d: %s\n%s\n\n", b.Seed, b.Rule, b.Story)
		}
		fmt.Fprintf(e.Out, "%d runs, %d breaches\n", report.Runs, len(report.Breaches))
	}
	return nil
}
