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

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/prove/incidents"
	"rearguard/daemon/rearing/species"
)

type incidentsCommand struct {
	Seeds string   `default:"both" enum:"tuning,held-out,both" help:"Sets of seeds to play: tuning, held-out or both."`
	Seed  *uint64  `help:"Play this seed instead of those sets." placeholder:"N"`
	Rooms int      `default:"20" help:"Rooms of the clean year; 0 leaves it out."`
	Days  int      `default:"365" help:"Days of the clean year."`
	Only  []string `help:"Only incidents whose name contains one of these words." placeholder:"WORD"`
	All   bool     `help:"Print every incident, not only those that went wrong."`
	JSON  bool     `help:"Print as JSON."`
}

// seedSet are seeds that are played together.
type seedSet struct {
	name  string
	seeds []uint64
}

// sets are the seeds asked for.
func (c *incidentsCommand) sets() []seedSet {
	if c.Seed != nil {
		return []seedSet{{"given", []uint64{*c.Seed}}}
	}
	var sets []seedSet
	if c.Seeds != "held-out" {
		sets = append(sets, seedSet{"tuning", incidents.TuningSeeds()})
	}
	if c.Seeds != "tuning" {
		sets = append(sets, seedSet{"held-out", incidents.HeldOutSeeds()})
	}
	return sets
}

// incidentsReport is what incidents prints.
type incidentsReport struct {
	Sets []incidentSet `json:"sets"`
}

type incidentSet struct {
	incidents.Score
	FoundShare float64             `json:"found_ratio"`
	RightShare float64             `json:"cause_right_ratio"`
	Year       *yearReport         `json:"clean_year,omitempty"`
	Outcomes   []incidents.Outcome `json:"outcomes"`
}

type yearReport struct {
	incidents.Year
	RealAlarms       int     `json:"real_alarms"`
	FalsePerRoomYear float64 `json:"false_alarms_per_room_year"`
	PagesPerNight    float64 `json:"pages_per_person_and_night"`
}

func (c *incidentsCommand) Run(ctx context.Context, e *cli.Env) error {
	if c.Rooms < 0 || c.Days < 1 {
		return cli.Unusable("a clean year needs at least one day, and no fewer than 0 rooms")
	}
	if len(incidents.Names(c.Only...)) == 0 {
		return cli.Unusable("no incident has %q in its name; prove incidents --all lists them", c.Only)
	}
	catalog, err := species.Library()
	if err != nil {
		return err
	}
	var report incidentsReport
	for _, set := range c.sets() {
		played, err := c.play(ctx, catalog, set)
		if err != nil {
			return err
		}
		report.Sets = append(report.Sets, played)
	}
	if c.JSON {
		return json.NewEncoder(e.Out).Encode(report)
	}
	return report.print(e.Out, c.All)
}

func (c *incidentsCommand) play(ctx context.Context, catalog *species.Catalog, seeds seedSet) (incidentSet, error) {
	set := incidentSet{}
	var year incidents.Year
	var yearErr error
	var beside sync.WaitGroup
	if c.Rooms > 0 {
		beside.Go(func() { year, yearErr = incidents.CleanYear(ctx, catalog, seeds.seeds[0], c.Rooms, c.Days) })
	}
	outcomes, err := incidents.Play(ctx, catalog, seeds.seeds, c.Only...)
	beside.Wait()
	if err := errors.Join(err, yearErr); err != nil {
		return set, err
	}
	set.Outcomes, set.Score = outcomes, incidents.Sum(seeds.name, outcomes)
	set.FoundShare, set.RightShare = float64(set.Found)/float64(max(1, set.Incidents)), set.Score.RightShare()
	if c.Rooms > 0 {
		set.Year = &yearReport{year, total(year.Real), year.FalsePerRoomYear(), year.PagesPerNight()}
	}
	return set, nil
}

func (r *incidentsReport) print(out io.Writer, all bool) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, s := range r.Sets {
		fmt.Fprintf(w, "Seeds: %s\n", s.Seeds)
		fmt.Fprintf(w, "  incidents\t%d played, %d found (%.0f %%)\n", s.Incidents, s.Found, 100*s.FoundShare)
		fmt.Fprintf(w, "  harmful\t%d, %d of them not found before 10 %% of the lethal dose\n", s.Harmful, s.Missed)
		fmt.Fprintf(w, "  injury when found\t%.1f %% of the lethal dose at most\n", 100*s.MostInjury)
		fmt.Fprintf(w, "  delay\t%s from beginning to first call, median\n", s.MedianDelay.Round(time.Minute))
		fmt.Fprintf(w, "  warning before heat\t%s before harm, median; %s at least\n", s.HeatWarning.Round(time.Minute), s.LeastHeatWarning.Round(time.Minute))
		fmt.Fprintf(w, "  cause\t%.0f %% right, %d wrong, %d not told\n", 100*s.RightShare, s.Wrong, s.NotTold)
		fmt.Fprintf(w, "  pages\t%.1f per incident; %d calls about sound rooms\n", s.PagesPerIncident, s.Elsewhere)
		if y := s.Year; y != nil {
			fmt.Fprintf(w, "  clean time\t%d rooms, %d days: %.2f false alarms per room and year, %d real\n", y.Rooms, y.Days, y.FalsePerRoomYear, y.RealAlarms)
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
		if !all && o.Found && !o.Missed() && o.Cause == incidents.CauseRight {
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
