package rearing

import (
	"fmt"
	"math"
	"sort"
	"time"
)

// DayNumbers is how many animals are expected to pass one event on one day.
type DayNumbers struct {
	// Day is the start of the local day.
	Day   time.Time
	Event string
	Stage StageID
	// Expected is the mean; Low and High bound the central 80 %.
	Expected, Low, High float64
}

// DailyNumbers returns for each coming event and local day how many of the
// cohort's living animals are expected to pass it, days without any left out.
// The interval holds doubt about the cohort's rate and the air, which move
// all animals together, and the chance of each animal.
func (p *Progress) DailyNumbers(o *Outlook, loc *time.Location) ([]DayNumbers, error) {
	start := p.now.Sub(o.from).Hours()
	if start < 0 || start >= float64(o.hours) {
		return nil, fmt.Errorf("daily numbers: outlook does not hold the cohort's time %s", p.now.Format(time.RFC3339))
	}
	days := dayStarts(p.now, o.Until(), loc)
	bounds := make([]float64, len(days))
	for d, t := range days {
		bounds[d] = t.Sub(o.from).Hours()
	}
	stages, n := len(p.species.Stages), p.size.Individuals
	courses := p.courses(o)
	// Worlds are pairs of a rate hypothesis and a course of the air; each
	// hypothesis meets a few courses.
	var worlds []world
	meets := min(2, len(o.temps))
	for h, belief := range p.belief {
		if belief < 1e-6 {
			continue
		}
		for m := range meets {
			k := scramble((h*meets+m)%len(o.temps), len(o.temps), uint64(h))
			w := world{weight: belief / float64(meets), share: make([]float64, stages*len(days))}
			for i := h * n; i < (h+1)*n; i++ {
				own := p.share(i) / belief
				p.follow(i, k, courses, start, func(s int, hour float64) {
					if d := sort.SearchFloat64s(bounds, math.Nextafter(hour, math.Inf(1))) - 1; d >= 0 && d < len(days)-1 {
						w.share[s*len(days)+d] += own
					}
				})
			}
			worlds = append(worlds, w)
		}
	}
	var out []DayNumbers
	for s := p.first + 1; s < stages; s++ {
		id := p.species.Stages[s].ID
		for d := range len(days) - 1 {
			mean, low, high := spreadOver(worlds, s*len(days)+d, float64(p.alive))
			if mean >= 0.05 {
				out = append(out, DayNumbers{days[d], EventName(id), id, mean, low, high})
			}
		}
	}
	return out, nil
}

// world is one joint possibility and the shares of animals by stage and day.
type world struct {
	weight float64
	share  []float64
}

// spreadOver returns mean and central 80 % of a number of animals over the
// worlds, each with binomial chance.
func spreadOver(worlds []world, at int, alive float64) (mean, low, high float64) {
	type part struct{ share, weight float64 }
	parts := make([]part, 0, len(worlds))
	total, chance := 0.0, 0.0
	for _, w := range worlds {
		f := w.share[at]
		parts = append(parts, part{f, w.weight})
		total += w.weight
		mean += w.weight * f
		chance += w.weight * f * (1 - f)
	}
	if mean == 0 {
		return 0, 0, 0
	}
	sort.Slice(parts, func(i, j int) bool { return parts[i].share < parts[j].share })
	quantile := func(q float64) float64 {
		run := 0.0
		for _, p := range parts {
			if run += p.weight; run >= q*total {
				return p.share
			}
		}
		return parts[len(parts)-1].share
	}
	mean = mean / total * alive
	// Doubt and chance are independent: their distances from the middle add
	// up in squares. 1.2816 is the standard normal quantile of 90 %.
	byChance := 1.2816 * math.Sqrt(alive*chance/total)
	lower, upper := mean-alive*quantile(0.1), alive*quantile(0.9)-mean
	low = math.Max(0, mean-math.Hypot(math.Max(0, lower), byChance))
	high = math.Min(alive, mean+math.Hypot(math.Max(0, upper), byChance))
	return mean, low, high
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
