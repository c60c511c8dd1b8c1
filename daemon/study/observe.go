// Package study says what finished cohorts teach: how long their stages took
// at which temperature, which constants follow for this facility, and how well
// forecasts held.
//
// Everything here rests on what keepers counted. Where they did not count,
// nothing is learned: the model is never taught by its own forecasts.
package study

import (
	"math"
	"slices"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

// crossing is when half of a cohort's animals had entered a stage, as far as
// counts tell.
type crossing struct {
	Stage species.StageID
	At    time.Time
	// Doubt is the standard deviation of At: it lies somewhere between two
	// counts. Zero for the known start of a cohort.
	Doubt time.Duration
}

// together is how close counts of different stages must lie to be one round.
const together = 15 * time.Minute

// look is one round of counts at a cohort: bounds of the share that had reached each
// stage.
type look struct {
	at        time.Time
	low, high []float64
	exact     []float64
}

// crossings returns when half of the cohort had entered each stage, in order
// of stage, for those that counts bracket. The start is the entry into the
// first stage.
func crossings(sp *species.Species, c *population.Cohort, counts []population.Count) []crossing {
	first, ok := sp.StageIndex(c.StartStage)
	if !ok {
		return nil
	}
	rounds := roundsOf(sp, c, counts, first)
	found := []crossing{{Stage: c.StartStage, At: c.Start}}
	for s := first + 1; s < len(sp.Stages); s++ {
		if x, ok := crossingOf(rounds, s); ok && x.At.After(found[len(found)-1].At) {
			x.Stage = sp.Stages[s].ID
			found = append(found, x)
		}
	}
	return found
}

// roundsOf gathers the counts into rounds, the start first.
func roundsOf(sp *species.Species, c *population.Cohort, counts []population.Count, first int) []look {
	counts = slices.DeleteFunc(slices.Clone(counts), func(n population.Count) bool {
		return n.Undone || n.Of == 0 && n.Seen == 0 || n.Time.Before(c.Start)
	})
	slices.SortFunc(counts, population.CompareCounts)
	stages := len(sp.Stages)
	fresh := func(at time.Time) look {
		r := look{at: at, low: make([]float64, stages), high: make([]float64, stages), exact: make([]float64, stages)}
		for s := range stages {
			r.high[s] = 1
		}
		for s := 0; s <= first; s++ {
			r.low[s] = 1
		}
		return r
	}
	begin := fresh(c.Start)
	for s := first + 1; s < stages; s++ {
		begin.high[s] = 0
	}
	rounds := []look{begin}
	alive := c.Individuals
	for _, n := range counts {
		if last := rounds[len(rounds)-1].at; len(rounds) == 1 || n.Time.Sub(last) > together {
			rounds = append(rounds, fresh(n.Time))
		}
		rounds[len(rounds)-1].take(sp, n, alive)
		alive = max(1, alive-n.Lost)
	}
	for i := range rounds[1:] {
		rounds[i+1].close(first)
	}
	return rounds
}

// take enters one count into the round.
func (r *look) take(sp *species.Species, n population.Count, alive int) {
	s, ok := sp.StageIndex(n.Stage)
	if !ok {
		return
	}
	if n.Of == 0 {
		// Seen without the number looked at: at least so many of the living.
		r.low[s] = max(r.low[s], min(1, float64(n.Seen)/float64(max(1, alive))))
		return
	}
	share := float64(n.Seen) / float64(n.Of)
	if n.OrBeyond {
		r.low[s], r.high[s] = max(r.low[s], share), min(r.high[s], share)
		return
	}
	r.exact[s] = max(r.exact[s], share)
}

// close draws the bounds together: those in a stage have reached all before
// it and none after it, and shares never rise from stage to stage.
func (r *look) close(first int) {
	in := 0.0
	for s := len(r.exact) - 1; s > first; s-- {
		in = min(1, in+r.exact[s])
		r.low[s] = max(r.low[s], in)
		if s+1 < len(r.low) {
			r.low[s] = max(r.low[s], r.low[s+1])
		}
	}
	before := 0.0
	for s := first; s < len(r.exact); s++ {
		if s > first {
			r.high[s] = min(r.high[s], 1-before, r.high[s-1])
		}
		before = min(1, before+r.exact[s])
	}
}

// crossingOf brackets the entry of half of the cohort into stage s between the
// last round by which certainly fewer had entered and the first by which
// certainly as many had, and draws a straight line between them.
func crossingOf(rounds []look, s int) (crossing, bool) {
	after := slices.IndexFunc(rounds, func(r look) bool { return r.low[s] >= 0.5 })
	if after < 1 {
		return crossing{}, false
	}
	before := after - 1
	for before > 0 && rounds[before].high[s] >= 0.5 {
		before--
	}
	for _, r := range rounds[after:] {
		if r.high[s] < 0.5 {
			return crossing{}, false // the counts contradict each other
		}
	}
	a, b := &rounds[before], &rounds[after]
	from, to := (a.low[s]+a.high[s])/2, (b.low[s]+b.high[s])/2
	width := b.at.Sub(a.at)
	x := 0.5
	if to > from {
		x = max(0, min(1, (0.5-from)/(to-from)))
	}
	// Animals enter a stage in a burst and not evenly: anywhere between the
	// two rounds is possible.
	return crossing{At: a.at.Add(time.Duration(x * float64(width))), Doubt: time.Duration(float64(width) / math.Sqrt(12))}, true
}

// Observation is how long the animals of one cohort took from the entry into
// one stage to the entry into another, and at what mean temperature.
type Observation struct {
	Cohort  population.CohortID `json:"cohort"`
	Species species.ID          `json:"species"`
	// Stage is the stage entered first; Until the one whose entry ended it,
	// the next stage unless those between were not counted.
	Stage species.StageID `json:"stage"`
	Until species.StageID `json:"until"`
	Ended time.Time       `json:"ended"`
	Days  float64         `json:"days"`
	// DoubtDays is the standard deviation of Days from the time between
	// counts.
	DoubtDays float64 `json:"doubt_days"`
	// TemperatureC is the mean temperature of the cohort's air in that time.
	TemperatureC float64 `json:"temperature_celsius"`
}

// mostDoubt is the largest share of a duration that may be doubtful: counts
// too far apart say nothing about it.
const mostDoubt = 0.25

// Observe returns what the counts of a finished cohort say about its stages.
// MeanC returns the mean temperature of its air between two times, and false
// where that is not known.
func Observe(sp *species.Species, c *population.Cohort, counts []population.Count, meanC func(from, to time.Time) (float64, bool)) []Observation {
	xs := crossings(sp, c, counts)
	var found []Observation
	for i := 1; i < len(xs); i++ {
		from, to := xs[i-1], xs[i]
		days := to.At.Sub(from.At).Hours() / 24
		doubt := math.Hypot(from.Doubt.Hours(), to.Doubt.Hours()) / 24
		mean, known := meanC(from.At, to.At)
		if !known || !(days > 0) || doubt > mostDoubt*days {
			continue
		}
		found = append(found, Observation{
			Cohort: c.ID, Species: sp.ID, Stage: from.Stage, Until: to.Stage, Ended: to.At,
			Days: days, DoubtDays: doubt, TemperatureC: mean,
		})
	}
	return found
}
