package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"sync"
	"text/tabwriter"
	"time"

	"rearguard/daemon/rearing"
	"rearguard/daemon/rehearsal/lab"
)

type incidentsCommand struct {
	Seeds string   `default:"both" enum:"tuning,held-out,both" help:"Seeds to play: tuning, held-out or both."`
	Rooms int      `default:"20" help:"Rooms of the clean year; 0 leaves it out."`
	Days  int      `default:"365" help:"Days of the clean year."`
	Only  []string `help:"Only incidents whose name contains one of these words." placeholder:"WORD"`
	All   bool     `help:"Print every incident, not only those that went wrong."`
	JSON  bool     `help:"Print as JSON."`
}

// incidentsReport is what incidents prints.
type incidentsReport struct {
	Sets []incidentSet `json:"sets"`
}

type incidentSet struct {
	lab.Score
	Year     *yearReport   `json:"clean_year,omitempty"`
	Outcomes []lab.Outcome `json:"outcomes"`
}

type yearReport struct {
	lab.Year
	FalsePerRoomYear float64 `json:"false_alarms_per_room_year"`
	PagesPerNight    float64 `json:"pages_per_person_and_night"`
}

// Run implements the subcommand.
func (c *incidentsCommand) Run(e *env) error {
	if c.Rooms < 0 || c.Days < 1 {
		return unusable("a clean year needs at least one day, and no fewer than 0 rooms")
	}
	catalog, err := rearing.Library()
	if err != nil {
		return err
	}
	var report incidentsReport
	for _, set := range []struct {
		name  string
		seeds []uint64
	}{{"tuning", lab.TuningSeeds()}, {"held-out", lab.HeldOutSeeds()}} {
		if c.Seeds != "both" && c.Seeds != set.name {
			continue
		}
		played, err := c.play(e.ctx, catalog, set.name, set.seeds)
		if err != nil {
			return err
		}
		if len(played.Outcomes) == 0 {
			return unusable("no incident has %q in its name; rearguard incidents --all lists them", c.Only)
		}
		report.Sets = append(report.Sets, played)
	}
	if c.JSON {
		return json.NewEncoder(e.out).Encode(report)
	}
	return report.print(e.out, c.All)
}

func (c *incidentsCommand) play(ctx context.Context, catalog *rearing.Catalog, name string, seeds []uint64) (incidentSet, error) {
	set := incidentSet{}
	var year lab.Year
	var yearErr error
	var beside sync.WaitGroup
	if c.Rooms > 0 {
		beside.Go(func() { year, yearErr = lab.CleanYear(ctx, catalog, seeds[0], c.Rooms, c.Days) })
	}
	outcomes, err := lab.Incidents(ctx, catalog, seeds, c.Only...)
	beside.Wait()
	if err := errors.Join(err, yearErr); err != nil {
		return set, err
	}
	set.Outcomes, set.Score = outcomes, lab.Sum(name, outcomes)
	if c.Rooms > 0 {
		set.Year = &yearReport{year, year.FalsePerRoomYear(), year.PagesPerNight()}
	}
	return set, nil
}

func (r *incidentsReport) print(out io.Writer, all bool) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, s := range r.Sets {
		fmt.Fprintf(w, "Seeds: %s\n", s.Seeds)
		fmt.Fprintf(w, "  incidents\t%d played, %d found (%.0f %%)\n", s.Incidents, s.Found, 100*float64(s.Found)/float64(s.Incidents))
		fmt.Fprintf(w, "  harmful\t%d, %d of them not found before 10 %% of the lethal dose\n", s.Harmful, s.Missed)
		fmt.Fprintf(w, "  injury when found\t%.1f %% of the lethal dose at most\n", 100*s.MostInjury)
		fmt.Fprintf(w, "  delay\t%s from beginning to first call, median\n", s.MedianDelay.Round(time.Minute))
		fmt.Fprintf(w, "  warning before heat\t%s before harm, median; %s at least\n", s.HeatWarning.Round(time.Minute), s.LeastHeatWarning.Round(time.Minute))
		fmt.Fprintf(w, "  cause\t%.0f %% right, %d wrong, %d not told\n", 100*s.RightShare(), s.Wrong, s.NotTold)
		fmt.Fprintf(w, "  pages\t%.1f per incident; %d calls about sound rooms\n", s.PagesPerIncident, s.Elsewhere)
		if y := s.Year; y != nil {
			fmt.Fprintf(w, "  clean time\t%d rooms, %d days: %.2f false alarms per room and year, %d real\n", y.Rooms, y.Days, y.FalsePerRoomYear, total(y.Real))
			fmt.Fprintf(w, "  nights\t%.3f pages per person and night, %d nights with more than two\n", y.PagesPerNight, y.BusyNights)
			for _, c := range slices.Sorted(maps.Keys(y.Calls)) {
				fmt.Fprintf(w, "    %s\t%d calls, %d of them real\n", c, y.Calls[c], y.Real[c])
			}
		}
		s.printOutcomes(w, all)
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w, "The rooms are a model and nobody acts in it: these figures compare versions of the alarms, they promise nothing about a real room.")
	return w.Flush()
}

func total[K comparable](counts map[K]int) int {
	n := 0
	for _, c := range counts {
		n += c
	}
	return n
}

// printOutcomes lists the incidents, or those of them that went wrong.
func (s *incidentSet) printOutcomes(w io.Writer, all bool) {
	titled := false
	for _, o := range s.Outcomes {
		if !all && o.Found && !o.Missed() && o.Cause == lab.CauseRight {
			continue
		}
		if !titled {
			fmt.Fprintln(w, "  incident\tseed\tfound after\tby\tinjury\tharm after\tcause")
			titled = true
		}
		found, harm := "never", "none"
		if o.Found {
			found = o.FoundAfter.Round(time.Minute).String()
		}
		if o.Harmful {
			harm = o.HarmAfter.Round(time.Minute).String()
		}
		fmt.Fprintf(w, "    %s\t%d\t%s\t%s\t%.1f %%\t%s\t%s %v\n", o.Name, o.Seed, found, o.FoundBy, 100*o.Injury, harm, o.Cause, o.Named)
	}
}
