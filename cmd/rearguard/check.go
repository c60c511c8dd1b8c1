package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/roster"
	"rearguard/cmd/internal/cli"
	"rearguard/cmd/rearguard/service"
	"rearguard/daemon/facility"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/standing"
	"rearguard/daemon/strict"
)

type checkCommand struct {
	Config string `default:"facility.yaml" help:"Configuration file to check, also against the records it names." placeholder:"FILE"`
	JSON   bool   `help:"Print as JSON."`
}

// checkReport is what check --json prints.
type checkReport struct {
	File     string        `json:"file"`
	Good     bool          `json:"good"`
	Faults   strict.Faults `json:"faults"`
	Rooms    int           `json:"rooms"`
	Sensors  int           `json:"sensors"`
	Topics   int           `json:"topics"`
	People   int           `json:"people"`
	Channels int           `json:"channels"`
	// OnDuty is who is called now, by priority, the most urgent first; empty
	// without a roster.
	OnDuty []onDuty `json:"on_duty"`
	// Remarks are no faults, and may still not be what was meant.
	Remarks []string `json:"remarks"`
	// Orphans are what the records hold and the configuration has no place for.
	Orphans []standing.Orphan `json:"orphans"`
}

// onDuty is who is called for alarms of a priority at a time: at once, and one
// after the other unless somebody answers.
type onDuty struct {
	Priority string    `json:"priority"`
	At       time.Time `json:"at"`
	Called   []string  `json:"called"`
	Then     []string  `json:"then"`
}

func (c *checkCommand) Run(ctx context.Context, e *cli.Env) error {
	f, unseen, err := facility.Check(c.Config)
	report := checkReport{File: c.Config, Faults: strict.Faults{}, OnDuty: []onDuty{}, Remarks: []string{}, Orphans: []standing.Orphan{}}
	var catalog *species.Catalog
	if err == nil {
		catalog, err = species.CatalogOf(f.Species)
	}
	switch {
	case err == nil:
		report.Good = true
		report.Remarks = append(report.Remarks, unseen...)
		report.compare(ctx, f, catalog)
		report.Rooms, report.Sensors, report.Topics = len(f.Rooms), len(f.Sensors), len(f.Topics())
		report.People, report.Channels = len(f.People), len(f.Channels)
		report.Remarks = append(report.Remarks, remarks(f)...)
		report.roster(f.Called(), e.Now())
		report.drills(ctx, f, e.Now())
	case !errors.As(err, &report.Faults):
		return cli.Unusable("%w", err)
	}
	if c.JSON {
		encoder := json.NewEncoder(e.Out)
		encoder.SetEscapeHTML(false)
		if err := encoder.Encode(report); err != nil {
			return err
		}
	} else if err := report.print(e.Out); err != nil {
		return err
	}
	if n := len(report.Faults); n > 0 {
		return fmt.Errorf("%s: %s", c.Config, plural(n, "fault"))
	}
	if n := report.living(); n > 0 {
		return fmt.Errorf("%s: %s would not be watched as now", c.Config, plural(n, "living cohort"))
	}
	return nil
}

// compare looks for what the records hold and the configuration has no place
// for. What cannot be compared is a remark.
func (r *checkReport) compare(ctx context.Context, f *facility.Facility, catalog *species.Catalog) {
	reader, err := records.OpenReader(ctx, f.Records.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err == nil {
		defer reader.Close()
		var now *snapshot.Snapshot
		if now, err = lookback.LastSnapshot(ctx, f, catalog, reader, slog.New(slog.DiscardHandler)); err == nil {
			r.Orphans, err = standing.Orphans(ctx, reader, now, f, catalog)
		}
	}
	if err != nil {
		r.Remarks = append(r.Remarks, fmt.Sprintf("the records could not be compared with it: %v", err))
	}
}

// drills looks into the records for what is wrong with drills.
func (r *checkReport) drills(ctx context.Context, f *facility.Facility, now time.Time) {
	reader, err := records.OpenReader(ctx, f.Records.Path)
	if err != nil {
		return // the remark on the records says so
	}
	defer reader.Close()
	if problem, err := service.DrillProblem(ctx, reader, f, now); err == nil && problem != "" {
		r.Remarks = append(r.Remarks, problem)
	}
}

// roster says who is on duty, and when nobody is.
func (r *checkReport) roster(called *roster.Roster, now time.Time) {
	if len(called.Lines) == 0 {
		return
	}
	for _, p := range []alerts.Priority{alerts.Critical, alerts.High, alerts.Medium, alerts.Low} {
		if p < alerts.High && len(called.Told([]alerts.Priority{p})) == 0 {
			continue
		}
		one := onDuty{Priority: p.String(), At: now.In(called.Zone), Called: []string{}, Then: []string{}}
		for k, step := range called.OnDuty(now, p) {
			if k == 0 {
				one.Called = step
				continue
			}
			one.Then = append(one.Then, step...)
		}
		r.OnDuty = append(r.OnDuty, one)
	}
	r.Remarks = append(r.Remarks, called.Gaps(now)...)
}

// words say who is on duty.
func (o *onDuty) words() string {
	text := "nobody"
	if len(o.Called) > 0 {
		text = strings.Join(o.Called, ", ")
	}
	if len(o.Then) > 0 {
		text += "; unless somebody answers, then " + strings.Join(o.Then, ", ")
	}
	return fmt.Sprintf("On %s, called for %s alarms: %s.", o.At.Format("Mon 2 Jan 15:04"), o.Priority, text)
}

// living counts the living cohorts among the orphans.
func (r *checkReport) living() int {
	names := map[string]bool{}
	for i := range r.Orphans {
		if r.Orphans[i].Living {
			names[r.Orphans[i].Name] = true
		}
	}
	return len(names)
}

func (r *checkReport) print(out io.Writer) error {
	var b strings.Builder
	for _, fault := range r.Faults {
		fmt.Fprintf(&b, "%s\n\n", fault)
	}
	if r.Good {
		fmt.Fprintf(&b, "%s is good: %s, %s on %s, %s, %s.\n", r.File, plural(r.Rooms, "room"), plural(r.Sensors, "sensor"),
			plural(r.Topics, "topic"), personCount(r.People), plural(r.Channels, "channel"))
	}
	for k := range r.OnDuty {
		b.WriteString(r.OnDuty[k].words() + "\n")
	}
	for _, o := range r.Orphans {
		where := r.File
		if o.Line > 0 {
			where = fmt.Sprintf("%s:%d", r.File, o.Line)
		}
		fmt.Fprintf(&b, "%s: %s; %s.\n", where, o.Problem, o.Advice)
	}
	for _, remark := range r.Remarks {
		fmt.Fprintf(&b, "Remark: %s.\n", remark)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// remarks finds what is allowed and seldom meant.
func remarks(f *facility.Facility) []string {
	var found []string
	sensed := map[string]bool{}
	for _, s := range f.Sensors {
		sensed[string(s.Room)] = true
	}
	for _, room := range f.Rooms {
		if !sensed[string(room.ID)] {
			found = append(found, fmt.Sprintf("room %s has no sensor and will be blind", room.ID))
		}
	}
	if len(f.Roster) == 0 && len(f.Alertmanagers) == 0 {
		found = append(found, "the roster is empty: nobody is told about alarms")
	}
	if len(f.Roster) > 0 && f.Web.PublicURL == "" {
		found = append(found, "web.public_url is not set: notices carry no link for acknowledging")
	}
	if len(f.Roster) > 0 && f.Web.PublicURL != "" && f.Web.LinkKeyFile == "" {
		found = append(found, "web.link_key_file is not set: notices carry no link by which people answer without a password")
	}
	return found
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func personCount(n int) string {
	if n == 1 {
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}
