package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"rearguard/alerts/performance"
	"rearguard/cmd/internal/cli"
	"rearguard/daemon/lookback"
)

type performanceCommand struct {
	Config  string `default:"facility.yaml" help:"Configuration to read." placeholder:"FILE"`
	Records string `help:"Records to measure. Default: those the configuration names." placeholder:"FILE"`
	Days    int    `default:"30" help:"Days up to the last event that are measured."`
	JSON    bool   `help:"Print as JSON."`
}

func (c *performanceCommand) Run(ctx context.Context, e *cli.Env) error {
	f, err := cli.LoadPlainFacility(c.Config)
	if err != nil {
		return err
	}
	if c.Days < 1 {
		return cli.Unusable("--days %d: measure at least one day", c.Days)
	}
	reader, err := cli.OpenRecords(ctx, c.Records, f.Records.Path, "to measure")
	if err != nil {
		return err
	}
	defer reader.Close()
	marks, err := reader.LoadMarks(ctx)
	if err != nil {
		return err
	}
	report, err := lookback.Performance(ctx, reader, lookback.Span{
		From: marks.Clock.AddDate(0, 0, -c.Days), To: marks.Clock, Location: f.Site.Location,
	})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(report)
	}
	return printPerformance(e.Out, report)
}

func printPerformance(out io.Writer, r *lookback.AlarmPerformance) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "From %s to %s\n", r.From.Format(time.DateTime), r.To.Format(time.DateTime))
	if r.Shortened {
		fmt.Fprintln(w, "Of the time before that only counts are kept (records.keep_details_days).")
	}
	for _, line := range r.Lines() {
		fmt.Fprintf(w, "  %s\t%s\t%s\n", line.What, line.Value, line.Target)
	}
	keys := func(title string, list []performance.KeyCount) {
		if len(list) == 0 {
			return
		}
		fmt.Fprintf(w, "\n%s\n", title)
		for _, k := range list {
			fmt.Fprintf(w, "  %s\t%d\n", k.Key, k.Count)
		}
	}
	keys("Called most often", r.Top)
	keys("Chattering", r.Chattering)
	keys("Fleeting", r.Fleeting)
	if len(r.Stale) > 0 {
		fmt.Fprintln(w, "\nStanding for more than a day")
		for _, s := range r.Stale {
			fmt.Fprintf(w, "  %s\tsince %s\t%.0f h\n", s.Key, s.Since.In(r.Location).Format("2 Jan 15:04"), s.Active.Hours())
		}
	}
	return w.Flush()
}
