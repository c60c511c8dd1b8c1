package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/lookback"
	"rearguard/daemon/planning"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/husbandry"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

type planCommand struct {
	Emergences planEmergences `cmd:"" help:"How many eggs, laid by when, for so many adults by a date?"`
	Shipping   planShipping   `cmd:"" help:"On which days can pupae travel, and how long have they left?"`
	Food       planFood       `cmd:"" help:"How much host plant is eaten each day?"`
	Shift      planShift      `cmd:"" help:"Which set point moves an emergence to a date, within safe limits?"`
}

// planSource is where a plan takes the facility's state from.
type planSource struct {
	Config  string `help:"Configuration of the facility; its records tell what is there." placeholder:"FILE"`
	Records string `help:"Records to read. Default: those the configuration names." placeholder:"FILE"`
	JSON    bool   `help:"Print as JSON."`
}

// snapshot is the state as of the last commit; without a configuration only
// the library and the time now.
func (p *planSource) snapshot(ctx context.Context, e *cli.Env) (*snapshot.Snapshot, error) {
	if p.Config == "" {
		library, err := species.Library()
		if err != nil {
			return nil, err
		}
		return &snapshot.Snapshot{
			Time: e.Now().UTC(), Site: snapshot.Site{Location: time.UTC}, Knowledge: snapshot.Knowledge{Catalog: library},
		}, nil
	}
	f, err := cli.LoadPlainFacility(p.Config)
	if err != nil {
		return nil, err
	}
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		return nil, err
	}
	reader, err := cli.OpenRecords(ctx, p.Records, f.Records.Path, "yet")
	if err != nil {
		return nil, err
	}
	defer reader.Close()
	return lookback.LastSnapshot(ctx, f, catalog, reader, e.Logger)
}

// answer prints what a question came to: as JSON, or by print.
func (p *planSource) answer(e *cli.Env, v any, print func(io.Writer)) error {
	if p.JSON {
		return json.NewEncoder(e.Out).Encode(v)
	}
	w := tabwriter.NewWriter(e.Out, 0, 0, 2, ' ', 0)
	print(w)
	return w.Flush()
}

// planned makes a question that cannot be answered as asked unusable input.
func planned(err error) error {
	if errors.Is(err, planning.ErrNone) {
		return cli.Unusable("%w", err)
	}
	return err
}

const planDay = "Mon 2 Jan 2006"

// dayIn reads a date as the beginning of that day in the facility's zone.
func dayIn(flag, text string, loc *time.Location) (time.Time, error) {
	if loc == nil {
		loc = time.UTC
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, text, loc); err == nil {
			return t, nil
		}
	}
	return time.Time{}, cli.Unusable("--%s %q is not a date; write it as 2026-06-12 or 2026-06-12T10:00", flag, text)
}

type planEmergences struct {
	planSource
	Species  string   `required:"" help:"Species to rear." placeholder:"ID"`
	Count    int      `required:"" help:"How many adults." placeholder:"N"`
	By       string   `required:"" help:"Date before which they must have emerged." placeholder:"DATE"`
	Within   int      `default:"10" help:"How many days before it the first may emerge: adults live only so long."`
	Room     string   `help:"Room to rear them in. Default: every room is tried." placeholder:"ROOM"`
	Celsius  *float64 `help:"Set point to rear them at instead of a room's expected air." placeholder:"C"`
	Air      string   `help:"Table of temperatures to come (columns time and temperature) to rear them in instead." placeholder:"FILE"`
	Survival float64  `help:"Share of eggs that become adults, 0 to 1. Default: what the species states, else 0.6, assumed."`
	Chance   float64  `default:"0.8" help:"How sure it must be, 0.5 to 0.99."`
}

func (c *planEmergences) Run(ctx context.Context, e *cli.Env) error {
	s, err := c.snapshot(ctx, e)
	if err != nil {
		return err
	}
	by, err := dayIn("by", c.By, s.Location)
	if err != nil {
		return err
	}
	if c.Config == "" && c.Celsius == nil && c.Air == "" {
		return cli.Unusable("give --celsius, --air, or --config of a facility whose rooms are to be tried")
	}
	air := planning.Air{Room: sensors.RoomID(c.Room), Celsius: c.Celsius}
	if c.Air != "" {
		if air.Course, err = airTable(c.Air, s.Location); err != nil {
			return err
		}
	}
	options, err := planning.Emergences(s, planning.EmergenceRequest{
		Species: species.ID(c.Species), Air: air,
		EggRequest: husbandry.EggRequest{
			Emergences: c.Count, By: by, Within: time.Duration(c.Within) * 24 * time.Hour, Survival: c.Survival, Chance: c.Chance,
		},
	})
	if err != nil {
		return planned(err)
	}
	if err := c.answer(e, options, func(w io.Writer) {
		for _, o := range options {
			fmt.Fprintf(w, "In %s, %.1f °C on average:\n", o.Air, o.MeanC)
			for _, p := range o.Plans {
				fmt.Fprintf(w, "  %d eggs laid on %s\t%.0f %% chance\t%.0f %% of the survivors emerge in time\n",
					p.Eggs, p.LayOn.In(s.Location).Format(planDay), 100*p.Chance, 100*p.InTime)
			}
			if o.Problem != "" {
				fmt.Fprintf(w, "  %s\n", o.Problem)
			}
			for _, r := range o.Risks {
				fmt.Fprintf(w, "  Risk: %s.\n", r)
			}
		}
	}); err != nil {
		return err
	}
	if !slices.ContainsFunc(options, func(o planning.EmergenceOption) bool { return len(o.Plans) > 0 }) {
		return errors.New("no air that was tried meets the request")
	}
	return nil
}

// airTable reads a course of temperatures; times without a zone are the
// facility's.
func airTable(path string, zone *time.Location) (forecast.Air, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, cli.Unusable("%w", err)
	}
	defer file.Close() //nolint:errcheck // it was only read
	table, err := temperatureReader{timeColumn: "time", temperatureColumn: "temperature", zone: zone, observed: true}.read(file, path)
	if err != nil {
		return nil, cli.Unusable("%w", err)
	}
	var times []time.Time
	var temperatures []float64
	for _, p := range table.points {
		times = append(times, p.Time)
		temperatures = append(temperatures, p.TemperatureC)
	}
	course, err := forecast.NewTableAir(times, temperatures)
	if err != nil {
		return nil, cli.Unusable("%s: %w", path, err)
	}
	return course, nil
}

type planShipping struct {
	planSource
	Cohort    string        `required:"" help:"Cohort whose pupae travel." placeholder:"ID"`
	Celsius   float64       `required:"" help:"Temperature on the way in °C." placeholder:"C"`
	Transit   time.Duration `required:"" help:"How long the way takes." placeholder:"48h"`
	Harden    time.Duration `default:"48h" help:"How long a pupa must have rested before it is touched (common practice, no published source)."`
	MayEmerge float64       `default:"0.02" help:"Share of pupae that may emerge on the way."`
}

func (c *planShipping) Run(ctx context.Context, e *cli.Env) error {
	s, err := c.snapshot(ctx, e)
	if err != nil {
		return err
	}
	days, err := planning.Shipping(s, population.CohortID(c.Cohort), husbandry.Shipping{
		TransitC: c.Celsius, Transit: c.Transit, Harden: c.Harden, MayEmerge: c.MayEmerge,
	})
	if err != nil {
		return planned(err)
	}
	return c.answer(e, days, func(w io.Writer) {
		if len(days) == 0 {
			fmt.Fprintln(w, "No pupae of this cohort will be fit to travel.")
			return
		}
		fmt.Fprintln(w, "sent on\tready\temerge on the way\tdays left after arrival (80 %)\t")
		for _, d := range days {
			verdict, left := "too late", "none: nothing develops at this temperature"
			if d.Fit {
				verdict = "fit"
			}
			if !d.Never {
				left = fmt.Sprintf("%.1f (%.1f to %.1f)", d.DaysLeft, d.Least, d.Most)
			}
			fmt.Fprintf(w, "%s\t%.0f\t%.1f %%\t%s\t%s\n", d.Day.In(s.Location).Format(planDay+" 15:04"), d.Ready, 100*d.Emerging, left, verdict)
		}
	})
}

type planFood struct {
	planSource
	Cohort  string  `help:"Only this cohort." placeholder:"ID"`
	Species string  `help:"All cohorts of this species." placeholder:"ID"`
	Grams   float64 `required:"" help:"What one larva eats in its life, grams of fresh leaves." placeholder:"G"`
	Days    int     `default:"14" help:"How many days ahead."`
}

func (c *planFood) Run(ctx context.Context, e *cli.Env) error {
	s, err := c.snapshot(ctx, e)
	if err != nil {
		return err
	}
	days, err := planning.Food(s, planning.FoodRequest{
		Cohort: population.CohortID(c.Cohort), Species: species.ID(c.Species), GramsPerLarva: c.Grams, Days: c.Days,
	})
	if err != nil {
		return planned(err)
	}
	return c.answer(e, days, func(w io.Writer) {
		fmt.Fprintln(w, "day\tlarvae feeding\tgrams eaten\t80 % between")
		for _, d := range days {
			fmt.Fprintf(w, "%s\t%.0f\t%.0f\t%.0f and %.0f\n", d.Day.In(s.Location).Format(planDay), d.Larvae, d.Grams, d.LowG, d.HighG)
		}
		fmt.Fprintln(w, "Cut more than is eaten: leaves wilt, and larvae do not find them all.")
	})
}

type planShift struct {
	planSource
	Cohort  string   `required:"" help:"Cohort whose emergence is to be moved." placeholder:"ID"`
	To      string   `required:"" help:"When half of it should emerge." placeholder:"DATE"`
	Celsius *float64 `help:"Ask about this set point only." placeholder:"C"`
}

func (c *planShift) Run(ctx context.Context, e *cli.Env) error {
	s, err := c.snapshot(ctx, e)
	if err != nil {
		return err
	}
	to, err := dayIn("to", c.To, s.Location)
	if err != nil {
		return err
	}
	shift, err := planning.ShiftEmergence(s, planning.ShiftRequest{Cohort: population.CohortID(c.Cohort), To: to, Celsius: c.Celsius})
	if err != nil {
		return planned(err)
	}
	return c.answer(e, shift, func(w io.Writer) {
		if now := shift.Now; now != nil {
			fmt.Fprintf(w, "Expected as things are: half by %s.\n", now.Median.In(s.Location).Format(planDay+" 15:04"))
		}
		fmt.Fprintf(w, "Safe for every stage still to pass: %.0f to %.0f °C.\n\nset point\thalf emerged\t80 %% between\temerged by then\trisk\n", shift.LowC, shift.HighC)
		const least = 6
		for _, o := range shift.Options[:min(least, len(shift.Options))] {
			fmt.Fprintf(w, "%.0f °C\t%s\t%s and %s\t%.0f %%\t%s\n", o.SetPointC, dateOr(o.Median, s.Location), dateOr(o.Early, s.Location), dateOr(o.Late, s.Location),
				100*o.ByTarget, o.Risk)
		}
		fmt.Fprintf(w, "\nCaution: %s.\n", strings.Join(shift.Cautions, ".\nCaution: "))
	})
}

// dateOr is a time for people; the zero time lies beyond what is forecast.
func dateOr(t time.Time, loc *time.Location) string {
	if t.IsZero() {
		return "later"
	}
	return t.In(loc).Format("Mon 2 Jan 15:04")
}
