package main

import (
	"rearguard/cmd/internal/cli"
	"rearguard/cmd/prove/faults"
)

type faultsCommand struct {
	Seed   *uint64 `help:"Make one table of this seed, instead of one of the tuning and one of the held-out seed." placeholder:"N"`
	Trials int     `default:"12" help:"Trials of each fault."`
	Days   int     `default:"180" help:"Days of the rooms without a fault."`
	JSON   bool    `help:"Print as JSON."`
}

func (c *faultsCommand) Run(e *cli.Env) error {
	if c.Trials < 1 || c.Days < 1 {
		return cli.Unusable("--trials %d, --days %d: at least one of each is needed", c.Trials, c.Days)
	}
	options := faults.Options{Trials: c.Trials, CleanDays: c.Days}
	var report faults.Report
	if c.Seed != nil {
		table := faults.Measure(*c.Seed, options)
		report.Given = &table
	} else {
		report = faults.MeasureBoth(options)
	}
	if c.JSON {
		return report.WriteJSON(e.Out)
	}
	return report.WriteText(e.Out)
}
