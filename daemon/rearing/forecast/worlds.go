package forecast

import (
	"fmt"
	"math"
	"sort"
	"time"

	"rearguard/daemon/rearing/internal/strata"
	"rearguard/daemon/rearing/population"
)

// World is one joint possibility: a rate hypothesis of the cohort and a course
// of the air, with how far it is believed.
type World struct {
	Hypothesis, Course int
	Belief             float64
}

// Worlds are possibilities whose beliefs add up to 1.
type Worlds []World

// coursesPerRate is how many courses of the air each rate hypothesis meets.
const coursesPerRate = 2

// WorldsOf pairs each rate hypothesis that is believed at all with a few courses
// of the air.
func WorldsOf(p *population.Progress, o *Outlook) (Worlds, error) {
	if start := o.HourOf(p.Time()); start < 0 || start >= float64(o.hours) {
		return nil, fmt.Errorf("the air forecast from %s to %s does not hold the cohort's time %s",
			o.from.Format(time.RFC3339), o.Until().Format(time.RFC3339), p.Time().Format(time.RFC3339))
	}
	var ws Worlds
	meets := min(coursesPerRate, len(o.temps))
	total := 0.0
	for h := range p.Hypotheses() {
		belief := p.Belief(h)
		if belief < 1e-6 {
			continue
		}
		for m := range meets {
			k := strata.Pair((h*meets+m)%len(o.temps), len(o.temps), 5)
			ws = append(ws, World{h, k, belief / float64(meets)})
			total += belief / float64(meets)
		}
	}
	for w := range ws {
		ws[w].Belief /= total
	}
	return ws, nil
}

// Walk follows every animal of a cohort through the worlds. It calls visit with
// the number of the world, the animal, and the hour after o.From at which it
// enters each stage: negative infinity where it has already, infinity beyond the
// outlook. The slice is used again for the next animal.
func (ws Worlds) Walk(p *population.Progress, o *Outlook, visit func(w, i int, entered []float64)) {
	courses := coursesOf(p, o)
	start := o.HourOf(p.Time())
	entered := make([]float64, len(p.Species().Stages))
	for w, in := range ws {
		first, end := p.AnimalsOf(in.Hypothesis)
		for i := first; i < end; i++ {
			for s := range entered {
				entered[s] = math.Inf(1)
				if s <= p.StageOf(i) {
					entered[s] = math.Inf(-1)
				}
			}
			follow(p, i, in.Course, courses, start, func(s int, hour float64) { entered[s] = hour })
			visit(w, i, entered)
		}
	}
}

// Table is a row of zeros for each world.
func (ws Worlds) Table(columns int) [][]float64 {
	t := make([][]float64, len(ws))
	for r := range t {
		t[r] = make([]float64, columns)
	}
	return t
}

// Quantile is a quantile of a value over the worlds, one value for each.
func (ws Worlds) Quantile(values []float64, q float64) float64 {
	weights := make([]float64, len(ws))
	for w := range ws {
		weights[w] = ws[w].Belief
	}
	return Quantile(values, weights, q)
}

// Quantile is the least value below or at which the share q of the
// weight lies. Weights add up to 1.
func Quantile(values, weights []float64, q float64) float64 {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(i, j int) bool { return values[order[i]] < values[order[j]] })
	run := 0.0
	for _, i := range order {
		if run += weights[i]; run >= q {
			return values[i]
		}
	}
	return values[order[len(order)-1]]
}
