package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/prove/forecasts"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/study"
)

type forecastsCommand struct {
	Cohorts int    `default:"200" help:"How many cohorts to simulate."`
	Seed    uint64 `default:"2026" help:"Seed of weather, rates, animals and misread counts."`
	Config  string `help:"Also replay the records of this configuration, and say how their counts agreed with what was expected." placeholder:"FILE"`
	Records string `help:"Records to replay. Default: those the configuration names." placeholder:"FILE"`
	JSON    bool   `help:"Print as JSON."`
}

// forecastsReport is what forecasts prints.
type forecastsReport struct {
	Worlds   []*forecasts.World `json:"worlds"`
	Replayed *forecasts.Counts  `json:"replayed,omitempty"`
}

func (c *forecastsCommand) Run(ctx context.Context, e *cli.Env) error {
	if c.Cohorts < 4 || c.Cohorts > 2000 {
		return cli.Unusable("--cohorts %d is outside 4 to 2000", c.Cohorts)
	}
	library, err := species.Library()
	if err != nil {
		return err
	}
	var report forecastsReport
	if c.Config != "" {
		if report.Replayed, err = c.replay(ctx, e); err != nil {
			return err
		}
	}
	world, err := forecasts.Simulate(ctx, library, c.Cohorts, c.Seed)
	if err != nil {
		return err
	}
	report.Worlds = append(report.Worlds, world)
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(report)
	}
	report.print(e.Out)
	return nil
}

// print says for people what the report holds.
func (r *forecastsReport) print(out io.Writer) {
	for _, w := range r.Worlds {
		fmt.Fprintf(out, "%s: %d simulated cohorts through the engine\n", w.Name, w.Cohorts)
		printReliability(out, "without counts", w.WithoutCounts)
		printReliability(out, "with counts", w.WithCounts)
		fmt.Fprintf(out, "counts narrow the interval to %.2f of its width\n", w.WidthRatio)
		printCounts(out, "their counts", w.Counts)
	}
	if r.Replayed != nil {
		printCounts(out, "replayed records", *r.Replayed)
	}
}

func printReliability(out io.Writer, name string, r study.Reliability) {
	fmt.Fprintf(out, "%s: the 80 %% interval holds %.1f %% of %d outcomes; %.2f days wide, %.2f of what the species' mean days need; bias of the median %+.2f days\n",
		name, 100*r.Coverage, r.Outcomes, r.WidthDays, r.Sharpness, r.BiasDays)
}

func printCounts(out io.Writer, name string, r forecasts.Counts) {
	fmt.Fprintf(out, "%s: %.1f %% of %d counts fell into their 80 %% interval, %d were called a conflict\n", name, 100*r.Coverage(), r.Counts, r.Conflicts)
}

// replay says how the counts in recorded history agreed with what was
// expected of them.
func (c *forecastsCommand) replay(ctx context.Context, e *cli.Env) (*forecasts.Counts, error) {
	f, err := cli.LoadPlainFacility(c.Config)
	if err != nil {
		return nil, err
	}
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		return nil, err
	}
	reader, err := cli.OpenRecords(ctx, c.Records, f.Records.Path, "to replay")
	if err != nil {
		return nil, err
	}
	defer reader.Close()
	counts, err := forecasts.Recorded(ctx, lookback.ReplayOptions{Facility: f, Catalog: catalog, Records: reader, Logger: e.Logger})
	return &counts, err
}
