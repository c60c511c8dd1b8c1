// Package forecast says what is expected of a cohort in the air expected of its
// room: when its animals enter each stage and how many on which day. Doubt
// about the air and about the cohort's rate are played through together.
package forecast

import (
	"fmt"
	"math"
	"sort"
	"time"

	"rearguard/daemon/rearing/internal/strata"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

// forecastDraws is the number of animals a forecast follows.
const forecastDraws = 256

// Event is a forecast of the entry of a cohort into one stage.
type Event struct {
	Name  species.EventName
	Stage species.StageID
	// Early, Median and Late are when 10, 50 and 90 % of the animals are
	// expected to have passed: spread of the animals, doubt about the
	// cohort's rate and doubt about the air together. Times in the past are
	// when they did. The zero time is beyond the outlook.
	Early, Median, Late time.Time
	// Passed is the share of animals that have passed already; Done is set
	// when all have.
	Passed float64
	Done   bool
}

// Forecast is what is expected of one cohort.
type Forecast struct {
	// At is the time the forecast starts from.
	At time.Time
	// Events are those still to come or under way, and those already past,
	// in order of stage.
	Events []Event
	// entries[s] are the hours from At to entry into stage s of the animals
	// followed that are not yet there, in order; infinite beyond the outlook.
	entries [][]float64
	draws   int
	species *species.Species
}

// Next are the events that not all animals have passed, soonest first.
func (f *Forecast) Next() []Event {
	var next []Event
	for _, e := range f.Events {
		if !e.Done {
			next = append(next, e)
		}
	}
	return next
}

// Make follows a sample of the cohort's animals, drawn by what is believed of
// them, each along one of the outlook's courses.
func Make(p *population.Progress, o *Outlook) (*Forecast, error) {
	return makeOf(p, o, forecastDraws)
}

// makeOf is Make with another number of animals followed.
func makeOf(p *population.Progress, o *Outlook, draws int) (*Forecast, error) {
	start := o.HourOf(p.Time())
	if start < 0 || start >= float64(o.hours) {
		return nil, fmt.Errorf("forecast: outlook from %s to %s does not hold the cohort's time %s",
			o.from.Format(time.RFC3339), o.Until().Format(time.RFC3339), p.Time().Format(time.RFC3339))
	}
	sp := p.Species()
	stages := len(sp.Stages)
	f := &Forecast{At: p.Time(), species: sp, draws: draws, entries: make([][]float64, stages)}
	for s := p.First() + 1; s < stages; s++ {
		f.entries[s] = make([]float64, 0, draws)
	}
	courses := coursesOf(p, o)
	there := make([]int, stages)
	for k, i := range sample(p, draws) {
		for s := 0; s <= min(p.StageOf(i), stages-1); s++ {
			there[s]++
		}
		follow(p, i, strata.Pair(k%len(o.temps), len(o.temps), uint64(k/len(o.temps))), courses, start, func(s int, hour float64) {
			f.entries[s] = append(f.entries[s], hour-start)
		})
	}
	for s := p.First() + 1; s < stages; s++ {
		sort.Float64s(f.entries[s])
		f.Events = append(f.Events, f.event(p, s, float64(there[s])/float64(draws)))
	}
	return f, nil
}

// coursesOf are the running integrals of each stage's rate, nil without one.
func coursesOf(p *population.Progress, o *Outlook) [][]Integral {
	stages := p.Species().Stages
	all := make([][]Integral, len(stages))
	for s := range all {
		if st := &stages[s]; st.Rate != nil {
			all[s] = o.Integrals(st)
		}
	}
	return all
}

// sample draws n animals by their shares, evenly through the population.
func sample(p *population.Progress, n int) []int {
	total := 0.0
	for i := range p.Animals() {
		total += p.Share(i)
	}
	out := make([]int, 0, n)
	run, step := 0.0, total/float64(n)
	for i := range p.Animals() {
		run += p.Share(i)
		for len(out) < n && run > (float64(len(out))+0.5)*step {
			out = append(out, i)
		}
	}
	for len(out) < n {
		out = append(out, p.Animals()-1)
	}
	return out
}

// follow moves animal i along course k from the hour start on and reports
// each entry into a stage, at an infinite hour when beyond the outlook.
func follow(p *population.Progress, i, k int, courses [][]Integral, start float64, enter func(s int, hour float64)) {
	s, x := p.StageOf(i), start
	if p.Species().Endless(s) {
		return
	}
	need := p.Left(i)
	for {
		sum := courses[s][k]
		hour, ok := sum.hourOf(x, sum.At(x)+need)
		if !ok {
			for s++; s < len(courses); s++ {
				enter(s, math.Inf(1))
			}
			return
		}
		x = hour
		s++
		if s >= len(courses) {
			return
		}
		enter(s, x)
		if p.Species().Endless(s) {
			return
		}
		need = p.Requirement(i, s)
	}
}

// event sums up the entries into stage s.
func (f *Forecast) event(p *population.Progress, s int, passed float64) Event {
	id := f.species.Stages[s].ID
	e := Event{Name: species.EventInto(id), Stage: id, Passed: passed, Done: len(f.entries[s]) == 0}
	for k, dst := range []*time.Time{&e.Early, &e.Median, &e.Late} {
		share := population.MarkShares()[k]
		// The rank among the animals followed, those already there first.
		rank := int(math.Round(share*float64(f.draws)-0.5)) - int(math.Round(passed*float64(f.draws)))
		if rank < 0 {
			*dst = p.Mark(s, k)
			if dst.IsZero() {
				*dst = f.At
			}
			continue
		}
		if rank < len(f.entries[s]) && !math.IsInf(f.entries[s][rank], 1) {
			*dst = f.At.Add(time.Duration(f.entries[s][rank] * float64(time.Hour)))
		}
	}
	return e
}

// ShareBefore is the share of the cohort expected to have entered the stage
// by t, and false for a stage the species has not.
func (f *Forecast) ShareBefore(stage species.StageID, t time.Time) (float64, bool) {
	s, ok := f.species.StageIndex(stage)
	if !ok {
		return 0, false
	}
	h := t.Sub(f.At).Hours()
	coming := sort.Search(len(f.entries[s]), func(i int) bool { return f.entries[s][i] > h })
	return float64(f.draws-len(f.entries[s])+coming) / float64(f.draws), true
}
