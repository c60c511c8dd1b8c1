package main

import (
	"encoding/json"
	"fmt"

	"rearguard/daemon"
	"rearguard/daemon/rearing"
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
	Simulated *daemon.ForecastCheck `json:"simulated"`
	Replayed  *daemon.CountCheck    `json:"replayed,omitempty"`
}

// Run implements the subcommand.
func (c *forecastsCommand) Run(e *env) error {
	if c.Cohorts < 4 || c.Cohorts > 2000 {
		return unusable("--cohorts %d is outside 4 to 2000", c.Cohorts)
	}
	library, err := rearing.Library()
	if err != nil {
		return err
	}
	var report forecastsReport
	if c.Config != "" {
		if report.Replayed, err = c.replay(e); err != nil {
			return err
		}
	}
	if report.Simulated, err = daemon.CheckForecasts(library, c.Cohorts, c.Seed); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.out).Encode(report)
	}
	print := func(name string, r study.Calibration) {
		fmt.Fprintf(e.out, "%s: the 80 %% interval holds %.1f %% of %d outcomes; %.2f days wide, %.2f of what the species' mean days need; bias of the median %+.2f days\n",
			name, 100*r.Coverage, r.Outcomes, r.WidthDays, r.Sharpness, r.BiasDays)
	}
	fmt.Fprintf(e.out, "%d simulated cohorts through the engine\n", report.Simulated.Cohorts)
	print("without counts", report.Simulated.Bare)
	print("with counts", report.Simulated.Counted)
	counts := func(name string, r daemon.CountCheck) {
		fmt.Fprintf(e.out, "%s: %.1f %% of %d counts fell into their 80 %% interval, %d were called a conflict\n", name, 100*r.Coverage(), r.Counts, r.Conflicts)
	}
	counts("their counts", report.Simulated.Counts)
	if report.Replayed != nil {
		counts("replayed records", *report.Replayed)
	}
	return nil
}

func (c *forecastsCommand) replay(e *env) (*daemon.CountCheck, error) {
	f, err := loadFacility(c.Config)
	if err != nil {
		return nil, err
	}
	catalog, err := loadCatalog(f)
	if err != nil {
		return nil, unusable("%w", err)
	}
	reader, err := openRecords(e, c.Records, f.Records.Path, "to replay")
	if err != nil {
		return nil, err
	}
	defer reader.Close()
	check, err := daemon.CheckCounts(e.ctx, daemon.ReplayOptions{Facility: f, Catalog: catalog, Records: reader, Logger: e.logger})
	return &check, err
}
