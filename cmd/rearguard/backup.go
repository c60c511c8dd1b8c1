package main

import (
	"fmt"

	"rearguard/daemon/records"
)

type backupCommand struct {
	Config string `default:"facility.yaml" help:"Configuration that names the records." placeholder:"FILE"`
	To     string `arg:"" help:"File to write. It must not exist." placeholder:"FILE"`
}

// Run implements the subcommand. It works while the daemon runs.
func (c *backupCommand) Run(e *env) error {
	f, err := loadFacility(c.Config)
	if err != nil {
		return err
	}
	reader, err := records.OpenReader(e.ctx, f.Records.Path)
	if err != nil {
		return err
	}
	defer reader.Close()
	if err := reader.Backup(e.ctx, c.To); err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.out, "%s is a whole copy of %s\n", c.To, reader.Path())
	return err
}
