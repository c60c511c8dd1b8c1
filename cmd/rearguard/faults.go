package main

import (
	"rearguard/sensors/quality/faultlab"
)

type faultsCommand struct {
	JSON bool `help:"Print as JSON."`
}

// Run implements the subcommand.
func (c *faultsCommand) Run(e *env) error {
	report := faultlab.Run()
	if c.JSON {
		return report.WriteJSON(e.out)
	}
	return report.WriteText(e.out)
}
