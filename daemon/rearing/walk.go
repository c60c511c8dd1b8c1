package rearing

import (
	"fmt"
	"math"
	"time"
)

// world is one joint possibility: a rate hypothesis of the cohort and a course
// of the air, with how far it is believed.
type world struct {
	hypothesis, course int
	belief             float64
}

// coursesPerRate is how many courses of the air each rate hypothesis meets.
const coursesPerRate = 2

// worlds pairs each rate hypothesis that is believed at all with a few courses
// of the air. Beliefs add up to 1.
func (p *Progress) worlds(o *Outlook) ([]world, error) {
	if start := p.now.Sub(o.from).Hours(); start < 0 || start >= float64(o.hours) {
		return nil, fmt.Errorf("the air forecast from %s to %s does not hold the cohort's time %s",
			o.from.Format(time.RFC3339), o.Until().Format(time.RFC3339), p.now.Format(time.RFC3339))
	}
	var ws []world
	meets := min(coursesPerRate, len(o.temps))
	total := 0.0
	for h, belief := range p.belief {
		if belief < 1e-6 {
			continue
		}
		for m := range meets {
			k := scramble((h*meets+m)%len(o.temps), len(o.temps), 5)
			ws = append(ws, world{h, k, belief / float64(meets)})
			total += belief / float64(meets)
		}
	}
	for w := range ws {
		ws[w].belief /= total
	}
	return ws, nil
}

// walk follows every animal through the worlds. It calls visit with the number
// of the world, the animal, and the hour after o.From at which it enters each
// stage: negative infinity where it has already, infinity beyond the outlook.
// The slice is used again for the next animal.
func (p *Progress) walk(o *Outlook, worlds []world, visit func(w, i int, entered []float64)) {
	courses, n := p.courses(o), p.size.Individuals
	start := p.now.Sub(o.from).Hours()
	entered := make([]float64, len(p.species.Stages))
	for w, in := range worlds {
		for i := in.hypothesis * n; i < (in.hypothesis+1)*n; i++ {
			for s := range entered {
				entered[s] = math.Inf(1)
				if s <= int(p.stage[i]) {
					entered[s] = math.Inf(-1)
				}
			}
			p.follow(i, in.course, courses, start, func(s int, hour float64) { entered[s] = hour })
			visit(w, i, entered)
		}
	}
}

// dayStarts lists the starts of the local days from the one that holds from
// to the one after until.
func dayStarts(from, until time.Time, loc *time.Location) []time.Time {
	y, m, d := from.In(loc).Date()
	var days []time.Time
	for i := 0; ; i++ {
		day := time.Date(y, m, d+i, 0, 0, 0, 0, loc)
		days = append(days, day)
		if day.After(until) {
			return days
		}
	}
}

// hoursAfter turns times into hours after a start.
func hoursAfter(start time.Time, times []time.Time) []float64 {
	hours := make([]float64, len(times))
	for i, t := range times {
		hours[i] = t.Sub(start).Hours()
	}
	return hours
}
