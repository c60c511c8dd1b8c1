package main

import (
	"rearguard/sensors/quality/faultlab"
)

type faultsCommand struct {
	JSON bool `help:"Print as JSON."`
}

// Run implements the subcommand.
func (c *faultsCommand) Run(e *env) error {
	return faultlab.Run(e.out, c.JSON)
}
