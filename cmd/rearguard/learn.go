package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/development/fitting"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/study"
)

type learnCommand struct {
	Config  string `default:"facility.yaml" help:"Configuration file." placeholder:"FILE"`
	Records string `help:"Records to read. Default: those the configuration names." placeholder:"FILE"`
	Species string `help:"Only this species." placeholder:"ID"`
	JSON    bool   `help:"Print as JSON."`
}

// learnReport is one fit with what was decided about it.
type learnReport struct {
	study.Fit
	Decision *study.Decision `json:"decision"`
}

func (c *learnCommand) Run(ctx context.Context, e *cli.Env) error {
	f, err := cli.LoadPlainFacility(c.Config)
	if err != nil {
		return err
	}
	starting, err := cli.LoadCatalog(f)
	if err != nil {
		return err
	}
	reader, err := cli.OpenRecords(ctx, c.Records, f.Records.Path, "yet")
	if err != nil {
		return err
	}
	defer reader.Close()
	learned, err := lookback.LoadLearning(ctx, reader)
	if err != nil {
		return err
	}
	reports := []learnReport{}
	for _, fit := range study.WithCurves(study.Fits(starting, learned.Observations)) {
		if c.Species == "" || fit.Species == species.ID(c.Species) {
			reports = append(reports, learnReport{fit, learned.Decided(fit.Key)})
		}
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(reports)
	}
	return printLearning(e.Out, reports)
}

func printLearning(out io.Writer, reports []learnReport) error {
	if len(reports) == 0 {
		_, err := fmt.Fprintln(out, "No finished cohort has taught anything yet. Enter counts around hatching, moults, pupation and emergence, and close cohorts when they are done.")
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(what string, e *fitting.Estimate) {
		if e == nil {
			return
		}
		days, se := e.Days(25)
		fmt.Fprintf(w, "  %s\tthreshold %.2f ± %.2f °C\trequirement %.1f ± %.1f degree-days\t%.2f ± %.2f days at 25 °C\n",
			what, e.ThresholdC, e.ThresholdSE(), e.Requirement, e.RequirementSE(), days, se)
	}
	for i := range reports {
		r := &reports[i]
		fmt.Fprintf(w, "%s, %s: %s\n", r.Species, r.Name, plural(len(r.Observations), "observation"))
		for _, o := range r.Observations {
			fmt.Fprintf(w, "  %s\t%.2f ± %.2f days\tat %.1f °C\t\n", o.Cohort, o.Days, o.DoubtDays, o.TemperatureC)
		}
		if r.Start.Requirement > 0 {
			line("starting values", &r.Start)
		}
		line("corrected", r.Proposal)
		if r.Regression != nil {
			line("regression (Campbell et al. 1974)", &r.Regression.Estimate)
		}
		if r.IkemotoTakai != nil {
			line("Ikemoto-Takai line", &r.IkemotoTakai.Estimate)
		}
		for _, curve := range r.Curves {
			if curve.AICc != nil && curve.Determined {
				fmt.Fprintf(w, "  %s\tAICc %.1f\n", curve.Model, *curve.AICc)
			}
		}
		for _, remark := range r.Remarks {
			fmt.Fprintf(w, "  %s\n", remark)
		}
		switch d := r.Decision; {
		case d == nil:
			fmt.Fprintln(w, "  nobody has decided yet: adopt or refuse on the page /learning")
		case d.Adopted:
			fmt.Fprintf(w, "  adopted (%s) by %s on %s, with %d observations\n", d.Fit, d.Who, d.At.Format("2006-01-02"), d.Observations)
		default:
			fmt.Fprintf(w, "  refused by %s on %s, with %d observations\n", d.Who, d.At.Format("2006-01-02"), d.Observations)
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}
