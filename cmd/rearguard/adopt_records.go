package main

import (
	"context"
	"fmt"

	"rearguard/cmd/internal/cli"
	"rearguard/dashboards/api"
)

type adoptRecordsCommand struct {
	Config string `default:"facility.yaml" help:"Configuration file; the running daemon is asked at its web.listen." placeholder:"FILE"`
	URL    string `help:"Address of the running daemon's pages, instead of that in the configuration." placeholder:"URL"`
	Who    string `required:"" help:"Your name, for the record." placeholder:"NAME"`
}

// Run asks the running daemon, which ends the alarms about its records.
func (c *adoptRecordsCommand) Run(ctx context.Context, e *cli.Env) error {
	base, err := daemonURL(c.URL, c.Config)
	if err != nil {
		return err
	}
	if err := askDaemon(ctx, base, "/api/v1/records/adopt", api.WhoBody{Who: c.Who}, nil); err != nil {
		return err
	}
	_, err = fmt.Fprintln(e.Out, "The records are adopted as they are. What cannot be read of them stays away, and its bytes are kept.")
	return err
}
