package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"text/tabwriter"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/dashboards/api"
)

type calibrateCommand struct {
	Config string `default:"facility.yaml" help:"Configuration file; the running daemon is asked at its web.listen." placeholder:"FILE"`
	URL    string `help:"Address of the running daemon's pages, instead of that in the configuration." placeholder:"URL"`

	List    calibrateListCommand    `cmd:"" default:"1" help:"List all calibrations, newest first."`
	Reapply calibrateReapplyCommand `cmd:"" help:"Let the newest calibration of a sensor hold from an earlier time on, and correct what is stored."`
}

type calibrateListCommand struct {
	JSON bool `help:"Print as JSON."`
}

func (c *calibrateListCommand) Run(ctx context.Context, e *cli.Env, all *calibrateCommand) error {
	base, err := daemonURL(all.URL, all.Config)
	if err != nil {
		return err
	}
	var list []api.Calibration
	if err := askDaemon(ctx, base, "/api/v1/calibrations", nil, &list); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(list)
	}
	w := tabwriter.NewWriter(e.Out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "NUMBER\tSENSOR\tQUANTITY\tHOLDS FROM\tGAIN\tOFFSET\tUNCERTAINTY (k=2)\tDUE\tBY")
	for _, k := range list {
		offset, uncertainty := "", ""
		if k.OffsetC != nil && k.UncertaintyC != nil {
			offset, uncertainty = fmt.Sprintf("%+.3f °C", *k.OffsetC), fmt.Sprintf("%.2f °C", *k.UncertaintyC)
		}
		if k.OffsetP != nil && k.UncertaintyP != nil {
			offset, uncertainty = fmt.Sprintf("%+.2f %%", 100**k.OffsetP), fmt.Sprintf("%.2f %%", 100**k.UncertaintyP)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%.4f\t%s\t%s\t%s\t%s\n", k.Number, k.Sensor, k.Quantity, k.HoldsFrom.Format(time.RFC3339), k.Gain, offset, uncertainty, k.Due.Format(time.DateOnly), k.By)
	}
	return w.Flush()
}

type calibrateReapplyCommand struct {
	Sensor   string    `arg:"" help:"Sensor."`
	Quantity string    `arg:"" help:"temperature or humidity." enum:"temperature,humidity"`
	From     time.Time `required:"" help:"From when on the newest calibration is to hold, as 2026-05-14T00:00:00Z." placeholder:"TIME"`
	Who      string    `required:"" help:"Your name, for the record." placeholder:"NAME"`
}

func (c *calibrateReapplyCommand) Run(ctx context.Context, e *cli.Env, all *calibrateCommand) error {
	base, err := daemonURL(all.URL, all.Config)
	if err != nil {
		return err
	}
	path := "/api/v1/sensors/" + url.PathEscape(c.Sensor) + "/reapply"
	if err := askDaemon(ctx, base, path, api.ReapplyBody{Quantity: c.Quantity, From: c.From, Who: c.Who}, nil); err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.Out, "The newest calibration of %s (%s) holds from %s on; stored values and thermal time are corrected.\n",
		c.Sensor, c.Quantity, c.From.Format(time.RFC3339))
	return err
}
