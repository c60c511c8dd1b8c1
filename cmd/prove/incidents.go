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
	World string   `default:"first" enum:"first,second,both" help:"Model of the rooms: first, which thresholds are chosen by, second, which is another one and with --seeds tuning its development variant, or both."`
	Told  bool     `help:"Play them once more with people who answer and mend, and print what each is sent."`
	Rooms int      `default:"20" help:"Rooms of the clean year; 0 leaves it out."`
	Days  int      `default:"365" help:"Days of the clean year."`
	Only  []string `help:"Only incidents whose name contains one of these words." placeholder:"WORD"`
	All   bool     `help:"Print every incident, not only those that went wrong."`
	JSON  bool     `help:"Print as JSON."`
}

// seedSet are seeds that are played together in one world.
type seedSet struct {
	name  string
	world incidents.World
	seeds []uint64
}

// sets are the seeds asked for.
func (c *incidentsCommand) sets() []seedSet {
	var sets []seedSet
	for _, world := range []incidents.World{incidents.First, incidents.Second} {
		tuned := world
		switch {
		case world == incidents.First && c.World == "second", world == incidents.Second && c.World == "first":
			continue
		case world == incidents.Second:
			tuned = incidents.SecondDevelopment
		}
		if c.Seed != nil {
			sets = append(sets, seedSet{"given", world, []uint64{*c.Seed}})
			continue
		}
		if c.Seeds != "held-out" {
			sets = append(sets, seedSet{"tuning", tuned, incidents.TuningSeeds()})
		}
		if c.Seeds != "tuning" {
			sets = append(sets, seedSet{"held-out", world, incidents.HeldOutSeeds()})
		}
	}
	return sets
}

// incidentsReport is what incidents prints.
type incidentsReport struct {
	Sets []incidentSet `json:"sets"`
}

type incidentSet struct {
	World incidents.World `json:"world"`
	incidents.Score
	FoundShare float64             `json:"found_ratio"`
	RightShare float64             `json:"cause_right_ratio"`
	Year       *yearReport         `json:"clean_year,omitempty"`
	Outcomes   []incidents.Outcome `json:"outcomes"`
	// Told is what people who act are sent, by kind of incident.
	Told []incidents.ToldKind `json:"told,omitempty"`
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
	set := incidentSet{World: seeds.world}
	var year incidents.Year
	var yearErr error
	var beside sync.WaitGroup
	if c.Rooms > 0 {
		beside.Go(func() {
			year, yearErr = incidents.CleanYear(ctx, catalog, seeds.world, seeds.seeds[0], c.Rooms, c.Days)
		})
	}
	outcomes, err := incidents.Play(ctx, catalog, seeds.world, seeds.seeds, c.Only...)
	beside.Wait()
	if err := errors.Join(err, yearErr); err != nil {
		return set, err
	}
	set.Outcomes, set.Score = outcomes, incidents.Sum(seeds.name, outcomes)
	set.FoundShare, set.RightShare = float64(set.Found)/float64(max(1, set.Incidents)), set.Score.RightShare()
	if c.Told {
		told, err := incidents.Attend(ctx, catalog, seeds.world, seeds.seeds, c.Only...)
		if err != nil {
			return set, err
		}
		set.Told = incidents.SumTold(told)
	}
	if c.Rooms > 0 {
		set.Year = &yearReport{year, total(year.Real), year.FalsePerRoomYear(), year.PagesPerNight()}
	}
	return set, nil
}

func (r *incidentsReport) print(out io.Writer, all bool) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, s := range r.Sets {
		fmt.Fprintf(w, "World: %s; seeds: %s\n", s.World, s.Seeds)
		fmt.Fprintf(w, "  incidents\t%d played, %d found (%.0f %%)\n", s.Incidents, s.Found, 100*s.FoundShare)
		fmt.Fprintf(w, "  harmful\t%d, %d of them not found before 10 %% of the lethal dose\n", s.Harmful, s.Missed)
		fmt.Fprintf(w, "  injury when found\t%.1f %% of the lethal dose at most\n", 100*s.MostInjury)
		fmt.Fprintf(w, "  delay\t%s from beginning to first call, median\n", s.MedianDelay.Round(time.Minute))
		fmt.Fprintf(w, "  warning before heat\t%s before harm, median; %s at least\n", s.HeatWarning.Round(time.Minute), s.LeastHeatWarning.Round(time.Minute))
		fmt.Fprintf(w, "  cause\t%.0f %% right, %d wrong, %d not told\n", 100*s.RightShare, s.Wrong, s.NotTold)
		for _, c := range s.Causes {
			fmt.Fprintf(w, "    %s\tnamed after %s, median; %s in nine of ten; promised %s\n", c.Cause, c.Median.Round(time.Minute), c.Most.Round(time.Minute), c.Promised)
		}
		fmt.Fprintf(w, "  pages\t%.1f per incident; %d calls about sound rooms\n", s.PagesPerIncident, s.Elsewhere)
		if y := s.Year; y != nil {
			fmt.Fprintf(w, "  clean time\t%d rooms, %d days: %.2f false alarms per room and year, %d real\n", y.Rooms, y.Days, y.FalsePerRoomYear, y.RealAlarms)
			fmt.Fprintf(w, "  nights\t%.3f pages per person and night, %d nights with more than two\n", y.PagesPerNight, y.BusyNights)
			for _, c := range slices.Sorted(maps.Keys(y.Calls)) {
				fmt.Fprintf(w, "    %s\t%d calls, %d of them real\n", c, y.Calls[c], y.Real[c])
			}
		}
		s.printOutcomes(w, all)
		s.printTold(w)
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

// printTold lists what people who act were sent.
func (s *incidentSet) printTold(w io.Writer) {
	if len(s.Told) == 0 {
		return
	}
	fmt.Fprintln(w, "  notices to a person who acts\tpeople\tcalls, median\tnine of ten\tends, median\twithout action\tcontradicting")
	for _, k := range s.Told {
		fmt.Fprintf(w, "    %s\t%d\t%d\t%d\t%d\t%d\t%d\n", k.Name, k.People, k.MedianCalls, k.MostCalls, k.MedianEnds, k.Idle, k.Contradicting)
	}
}
