package main

import (
	"context"
	"fmt"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/records"
)

type backupCommand struct {
	Config string `default:"facility.yaml" help:"Configuration that names the records." placeholder:"FILE"`
	To     string `arg:"" help:"File to write. It must not exist." placeholder:"FILE"`
}

// Run works while the daemon runs.
func (c *backupCommand) Run(ctx context.Context, e *cli.Env) error {
	f, err := cli.LoadPlainFacility(c.Config)
	if err != nil {
		return err
	}
	reader, err := records.OpenReader(ctx, f.Records.Path)
	if err != nil {
		return err
	}
	defer reader.Close()
	if err := reader.Backup(ctx, c.To); err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.Out, "%s is a whole copy of %s\n", c.To, reader.Path())
	return err
}
