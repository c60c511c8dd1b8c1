package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/development"
)

type degreeDaysCommand struct {
	File   string   `arg:"" placeholder:"FILE.csv" help:"Table with a header: date,tmin,tmax or time,temperature. A dash reads standard input."`
	Lower  float64  `required:"" placeholder:"T" help:"Lower developmental threshold, in the unit of the table."`
	Upper  *float64 `placeholder:"T" help:"Upper developmental threshold, if there is one."`
	Cutoff string   `enum:"horizontal,vertical,intermediate" default:"horizontal" help:"What happens above the upper threshold: horizontal (goes on at its rate), vertical (stops) or intermediate (slows as much as it is exceeded)."`
	Method string   `placeholder:"METHOD" enum:"observed,average,average-clipped,single-sine,double-sine,single-triangle,double-triangle" required:"" help:"observed (follows timed temperatures), average (rate at the mean of the daily extremes), average-clipped (mean of the rates at the extremes), single-sine, double-sine, single-triangle or double-triangle (curves through the daily extremes)."`

	TimeColumn        string `placeholder:"NAME" help:"Column of the time or date (default: time or date)."`
	TemperatureColumn string `placeholder:"NAME" help:"Column of timed temperatures (default: temperature)."`
	MinColumn         string `placeholder:"NAME" help:"Column of daily minima (default: tmin)."`
	MaxColumn         string `placeholder:"NAME" help:"Column of daily maxima (default: tmax)."`
	Zone              string `placeholder:"AREA/CITY" help:"Time zone whose days are counted, and of times that state none (default: days as written, from the first row)."`
	JSON              bool   `help:"Print as JSON."`
}

// maxQuietGap is the longest stretch between two temperatures over which a
// straight line is drawn without saying so.
const maxQuietGap = 3 * time.Hour

type degreeDaysReport struct {
	Method     string          `json:"method"`
	Cutoff     string          `json:"cutoff"`
	Lower      float64         `json:"lower"`
	Upper      *float64        `json:"upper"`
	DegreeDays float64         `json:"degree_days"`
	Days       []degreeDaysDay `json:"days"`
	// Notes say what a reader of the sum must know about the table.
	Notes []string `json:"notes"`
}

type degreeDaysDay struct {
	Date       string  `json:"date"`
	DegreeDays float64 `json:"degree_days"`
	Cumulative float64 `json:"cumulative_degree_days"`
}

func (c *degreeDaysCommand) Run(e *cli.Env) error {
	report, err := c.report(e.In)
	if err != nil {
		return cli.Unusable("degree-days: %w", err)
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(report)
	}
	for _, note := range report.Notes {
		if _, err := fmt.Fprintln(e.ErrOut, "note:", note); err != nil {
			return err
		}
	}
	return report.print(e.Out)
}

func (c *degreeDaysCommand) report(stdin io.Reader) (*degreeDaysReport, error) {
	upper := development.NoUpper
	if c.Upper != nil {
		upper = *c.Upper
	}
	cutoff, err := development.ParseCutoff(c.Cutoff)
	if err != nil {
		return nil, err
	}
	method, err := development.ParseMethod(c.Method)
	if err != nil {
		return nil, err
	}
	model, err := development.NewLinear(c.Lower, upper, cutoff)
	if err != nil {
		return nil, err
	}
	table, err := c.read(stdin, method)
	if err != nil {
		return nil, err
	}
	days, notes, err := table.progress(model, method)
	if err != nil {
		return nil, err
	}
	report := &degreeDaysReport{
		Method: c.Method, Cutoff: c.Cutoff, Lower: c.Lower, Upper: c.Upper,
		Days: make([]degreeDaysDay, 0, len(days)), Notes: notes,
	}
	for _, d := range days {
		report.Days = append(report.Days, degreeDaysDay{d.Date.Format(time.DateOnly), d.Progress, d.Cumulative})
		report.DegreeDays = d.Cumulative
	}
	return report, nil
}

// read opens the file and reads it as the method needs it.
func (c *degreeDaysCommand) read(stdin io.Reader, method development.Method) (*temperatureTable, error) {
	reader := temperatureReader{
		timeColumn: c.TimeColumn, temperatureColumn: c.TemperatureColumn,
		minColumn: c.MinColumn, maxColumn: c.MaxColumn, observed: method == development.Observed,
	}
	if c.Zone != "" {
		zone, err := time.LoadLocation(c.Zone)
		if err != nil {
			return nil, fmt.Errorf("time zone %q: %w", c.Zone, err)
		}
		reader.zone = zone
	}
	if c.File == "-" {
		return reader.read(stdin, "standard input")
	}
	file, err := os.Open(c.File)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }() // it was only read
	return reader.read(file, c.File)
}

// progress returns the degree-days of every day, and what must be said about
// gaps and edges of the table.
func (t *temperatureTable) progress(model development.Linear, method development.Method) ([]development.Day, []string, error) {
	notes := []string{}
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	if method == development.Observed {
		if len(t.points) < 2 {
			return nil, nil, fmt.Errorf("%s: need at least two temperatures to follow a curve", t.name)
		}
		bridged, longest, from := 0, maxQuietGap, 0
		for i := range t.points[1:] {
			gap := t.points[i+1].Time.Sub(t.points[i].Time)
			if gap > maxQuietGap {
				bridged++
			}
			if gap > longest {
				longest, from = gap, i
			}
		}
		if bridged > 0 {
			note("straight lines bridge %d stretches of more than %v without temperatures, the longest of %v from line %d to %d",
				bridged, maxQuietGap, longest, t.lines[from], t.lines[from+1])
		}
		days, err := development.ByDay(model, t.points, t.zone)
		if err != nil {
			return nil, nil, err
		}
		for _, i := range slices.Compact([]int{0, len(days) - 1}) {
			if days[i].Covered < 23*time.Hour {
				note("temperatures cover only %v of %s", days[i].Covered, days[i].Date.Format(time.DateOnly))
			}
		}
		return days, notes, nil
	}

	extremes := t.extremes
	if extremes == nil {
		var counts []int
		extremes, counts = development.DailyExtremes(t.points, t.zone)
		typical := slices.Sorted(slices.Values(counts))[len(counts)/2]
		for i, n := range counts {
			if 2*n < typical {
				note("the extremes of %s are from only %d temperatures, those of a typical day from %d",
					extremes[i].Date.Format(time.DateOnly), n, typical)
			}
		}
	}
	days, err := model.Daily(method, extremes)
	if err != nil {
		return nil, nil, err
	}
	for i, d := range days {
		date := d.Date.Format(time.DateOnly)
		if i > 0 {
			if missing := missingDays(days[i-1].Date, d.Date); missing > 0 {
				note("no temperatures between %s and %s: %d missing, nothing is counted for them",
					days[i-1].Date.Format(time.DateOnly), date, missing)
			}
		}
		if d.Single {
			note("%s has no next day with a minimum: its own is taken on both sides (%s)",
				date, strings.Replace(method.String(), "double", "single", 1))
		}
	}
	return days, notes, nil
}

// missingDays is the number of calendar days between two dates.
func missingDays(from, to time.Time) int {
	return int(civil(to).Sub(civil(from)).Hours()/24) - 1
}

// civil returns the calendar date of t as midnight UTC, where every day has 24
// hours.
func civil(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

func (r *degreeDaysReport) print(out io.Writer) error {
	var text strings.Builder
	fmt.Fprintf(&text, "%-10s  %11s  %10s\n", "date", "degree-days", "cumulative")
	for _, d := range r.Days {
		fmt.Fprintf(&text, "%-10s  %11.2f  %10.2f\n", d.Date, d.DegreeDays, d.Cumulative)
	}
	thresholds := fmt.Sprintf("above %g", r.Lower)
	if r.Upper != nil {
		thresholds += fmt.Sprintf(", %s cut-off at %g", r.Cutoff, *r.Upper)
	}
	fmt.Fprintf(&text, "%.2f degree-days in %d days (%s, %s)\n", r.DegreeDays, len(r.Days), r.Method, thresholds)
	_, err := io.WriteString(out, text.String())
	return err
}
