package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/facility"
	"rearguard/daemon/lookback"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/sensors/desk"
)

type replayCommand struct {
	Config  string `default:"facility.yaml" help:"Configuration that was in force, as far as the records do not know." placeholder:"FILE"`
	With    string `help:"Changed configuration to try instead; what it would have raised is set beside what happened." placeholder:"FILE"`
	Records string `help:"Records to replay. Default: those the configuration names." placeholder:"FILE"`
	JSON    bool   `help:"Print as JSON."`
}

// replayReport is what replay prints.
type replayReport struct {
	Readings int            `json:"readings"`
	Cohorts  []cohortReport `json:"cohorts"`
	// Recorded are the alarms as they happened, Replayed as the replay has
	// them.
	Recorded []lookback.Episode `json:"alarms_recorded"`
	Replayed []lookback.Episode `json:"alarms_replayed"`
	// Same is set when both agree to the millisecond.
	Same bool `json:"same"`
	// Losses are the animals that counts record as lost.
	Losses  []lossReport `json:"losses"`
	Notices int          `json:"notices"`
	// CondensedBefore is up to when the records hold people's commands and
	// readings but not all that machines did: the replay of that time may
	// differ, and its alarms are not compared.
	CondensedBefore *time.Time `json:"condensed_before,omitempty"`
	// Damage says what of the records cannot be read.
	Damage string `json:"damage,omitempty"`
	// LeftOut is what was recorded and cannot be carried out with the
	// configuration.
	LeftOut []string `json:"left_out"`
}

type cohortReport struct {
	ID          population.CohortID `json:"id"`
	Stage       species.StageID     `json:"stage"`
	ThermalTime float64             `json:"thermal_time_degree_days"`
}

type lossReport struct {
	Time   time.Time           `json:"time"`
	Cohort population.CohortID `json:"cohort"`
	Stage  species.StageID     `json:"stage"`
	Lost   int                 `json:"lost"`
	Cause  string              `json:"cause"`
}

func (c *replayCommand) Run(ctx context.Context, e *cli.Env) error {
	f, err := cli.LoadPlainFacility(c.Config)
	if err != nil {
		return err
	}
	recorded := f.Records.Path
	if c.With != "" {
		if f, err = cli.LoadPlainFacility(c.With); err != nil {
			return err
		}
	}
	reader, err := cli.OpenRecords(ctx, c.Records, recorded, "to replay")
	if err != nil {
		return err
	}
	defer reader.Close()
	report, err := c.replay(ctx, e, f, reader)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(report)
	}
	return report.print(e.Out, f.Site.Location)
}

func (c *replayCommand) replay(ctx context.Context, e *cli.Env, f *facility.Facility, reader *records.Reader) (*replayReport, error) {
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		return nil, err
	}
	report := &replayReport{Cohorts: []cohortReport{}, Losses: []lossReport{}, LeftOut: []string{}}
	replayed, err := lookback.Replay(ctx, lookback.ReplayOptions{
		Facility: f, Catalog: catalog, Records: reader, Logger: e.Logger, Follow: c.With == "",
		Refused: func(err error) { report.LeftOut = append(report.LeftOut, err.Error()) },
	})
	if err != nil {
		return nil, err
	}
	report.Readings, report.Notices = replayed.Readings, replayed.Notices
	for _, v := range replayed.Final.Cohorts {
		report.Cohorts = append(report.Cohorts, cohortReport{v.ID, v.Stage, v.ThermalTime})
	}
	happened, err := reader.AlarmTransitions(ctx, time.Time{}, past.FarFuture())
	if err != nil {
		return nil, err
	}
	report.Damage = reader.Damage()
	condensed, err := reader.Condensed(ctx)
	if err != nil {
		return nil, err
	}
	again := replayed.Transitions
	if before := desk.Later(condensed.Journal, condensed.Steps); !before.IsZero() {
		report.CondensedBefore = &before
		older := func(t records.AlarmTransition) bool { return t.Time.Before(before) }
		happened, again = slices.DeleteFunc(happened, older), slices.DeleteFunc(again, older)
	}
	report.Recorded, report.Replayed = lookback.Episodes(happened), lookback.Episodes(again)
	report.Same = slices.EqualFunc(report.Recorded, report.Replayed, lookback.Episode.Equal)
	if err := report.losses(ctx, reader); err != nil {
		return nil, err
	}
	return report, nil
}

func (r *replayReport) losses(ctx context.Context, reader *records.Reader) error {
	counts, err := reader.LoadCounts(ctx)
	for _, c := range counts {
		if c.Lost > 0 && !c.Undone {
			r.Losses = append(r.Losses, lossReport{c.Time, c.Cohort, c.Stage, c.Lost, c.Cause})
		}
	}
	return err
}

func (r *replayReport) print(out io.Writer, zone *time.Location) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "%d readings replayed; %d alarms recorded, %d replayed", r.Readings, len(r.Recorded), len(r.Replayed))
	if r.Same {
		fmt.Fprint(w, ", all the same")
	}
	fmt.Fprintln(w)
	if r.CondensedBefore != nil {
		fmt.Fprintf(w, "Alarms before %s are not compared: of that time only counts are kept.\n", r.CondensedBefore.In(zone).Format("2006-01-02 15:04"))
	}
	if r.Damage != "" {
		fmt.Fprintf(w, "Damaged and left out: %s.\n", r.Damage)
	}
	if len(r.LeftOut) > 0 {
		fmt.Fprintln(w, "\nLeft out, since it cannot be carried out with this configuration")
		for _, what := range r.LeftOut {
			fmt.Fprintf(w, "  %s\n", what)
		}
	}
	r.printAlarms(w, "Only as it happened", r.Recorded, r.Replayed, zone)
	r.printAlarms(w, "Only in the replay", r.Replayed, r.Recorded, zone)
	if r.Same {
		r.printAlarms(w, "Alarms", r.Replayed, nil, zone)
	}
	if len(r.Losses) > 0 {
		fmt.Fprintln(w, "\nLosses recorded in that time")
		for _, l := range r.Losses {
			fmt.Fprintf(w, "  %s\t%s\t%s\t%d lost\t%s\n", l.Time.In(zone).Format("2006-01-02 15:04"), l.Cohort, l.Stage, l.Lost, l.Cause)
		}
	}
	if len(r.Cohorts) > 0 {
		fmt.Fprintln(w, "\nCohorts at the end")
		for _, v := range r.Cohorts {
			fmt.Fprintf(w, "  %s\t%s\t%.2f degree-days\n", v.ID, v.Stage, v.ThermalTime)
		}
	}
	return w.Flush()
}

// printAlarms lists those of list that are not in other.
func (r *replayReport) printAlarms(w io.Writer, title string, list, other []lookback.Episode, zone *time.Location) {
	titled := false
	for _, e := range list {
		if slices.ContainsFunc(other, e.Equal) {
			continue
		}
		if !titled {
			fmt.Fprintf(w, "\n%s\n", title)
			titled = true
		}
		until := "still on"
		if e.Cleared != nil {
			until = fmt.Sprintf("for %s", e.Cleared.Sub(e.Raised).Round(time.Minute))
		}
		fmt.Fprintf(w, "  %s\t%s\t%s\t%s\t%s\n", e.Raised.In(zone).Format("2006-01-02 15:04"), e.Condition, e.Room, e.Subject, until)
	}
}
