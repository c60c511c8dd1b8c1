package rearing

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"
)

// DayNumbers is how many animals are expected to pass one event on one day.
type DayNumbers struct {
	// Day is the start of the local day.
	Day   time.Time `json:"day"`
	Event string    `json:"event"`
	Stage StageID   `json:"stage"`
	// Expected is the mean; Low and High bound the central 80 %.
	Expected float64 `json:"expected"`
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
}

// leastOfDay is the number of animals below which a day is left out.
const leastOfDay = 0.05

// DailyNumbers returns for each coming event and local day how many of the
// cohort's living animals are expected to pass it, days without any left out.
// The interval holds doubt about the cohort's rate and the air, which move
// all animals together, and the chance of each animal. Animals are lost on the
// way as the species' stages say.
func (p *Progress) DailyNumbers(o *Outlook, loc *time.Location) ([]DayNumbers, error) {
	all, err := p.NumbersIn(o, dayStarts(p.now, o.Until(), loc))
	if err != nil {
		return nil, err
	}
	return all[0], nil
}

// NumbersIn is DailyNumbers for spans of any length, each from one bound to
// the next; Day is where a span begins. Bounds must be in order. The cost is
// in following the animals, so several lists of bounds are better asked for
// together.
func (p *Progress) NumbersIn(o *Outlook, lists ...[]time.Time) ([][]DayNumbers, error) {
	worlds, err := p.worlds(o)
	if err != nil {
		return nil, err
	}
	stages := len(p.species.Stages)
	bounds := make([][]float64, len(lists))
	shares := make([][][]float64, len(lists))
	for n, days := range lists {
		if len(days) < 2 || !slices.IsSortedFunc(days, time.Time.Compare) {
			return nil, fmt.Errorf("numbers of animals: want bounds of spans in order of time, have %v", days)
		}
		bounds[n] = hoursAfter(o.from, days)
		shares[n] = table(len(worlds), stages*len(days))
	}
	p.walk(o, worlds, func(w, i int, entered []float64) {
		for s, hour := range entered {
			if math.IsInf(hour, 0) {
				continue
			}
			share := p.own(i) * p.species.survivalTo(int(p.stage[i]), s)
			for n, days := range lists {
				if d := dayOf(bounds[n], hour); d >= 0 {
					shares[n][w][s*len(days)+d] += share
				}
			}
		}
	})
	out := make([][]DayNumbers, len(lists))
	at := make([]float64, len(worlds))
	for n, days := range lists {
		for s := p.first + 1; s < stages; s++ {
			id := p.species.Stages[s].ID
			for d := range len(days) - 1 {
				for w := range worlds {
					at[w] = shares[n][w][s*len(days)+d]
				}
				if mean, low, high := numberOver(worlds, at, float64(p.alive)); mean >= leastOfDay {
					out[n] = append(out[n], DayNumbers{days[d], EventName(id), id, mean, low, high})
				}
			}
		}
	}
	return out, nil
}

// dayOf is the index of the day that holds the hour, -1 outside all.
func dayOf(bounds []float64, hour float64) int {
	if !(hour >= bounds[0] && hour < bounds[len(bounds)-1]) {
		return -1
	}
	d := sort.SearchFloat64s(bounds, hour)
	if bounds[d] > hour {
		d--
	}
	return d
}

// numberOver returns mean and central 80 % of the number of animals when each
// world has its own share, with the chance of each animal.
func numberOver(worlds []world, shares []float64, alive float64) (mean, low, high float64) {
	chance := 0.0
	for w, f := range shares {
		mean += worlds[w].belief * f * alive
		chance += worlds[w].belief * f * (1 - math.Min(1, f)) * alive
	}
	if mean == 0 {
		return 0, 0, 0
	}
	// Doubt and chance are independent: their distances from the middle add
	// up in squares. 1.2816 is the standard normal quantile of 90 %.
	byChance := 1.2816 * math.Sqrt(chance)
	lower := mean - alive*quantileOver(worlds, shares, 0.1)
	upper := alive*quantileOver(worlds, shares, 0.9) - mean
	low = math.Max(0, mean-math.Hypot(math.Max(0, lower), byChance))
	high = math.Min(alive, mean+math.Hypot(math.Max(0, upper), byChance))
	return mean, low, high
}

// quantileOver is a quantile of a value over the worlds.
func quantileOver(worlds []world, values []float64, q float64) float64 {
	weights := make([]float64, len(worlds))
	for w := range worlds {
		weights[w] = worlds[w].belief
	}
	return weightedQuantile(values, weights, q)
}

// weightedQuantile is the least value below or at which the share q of the
// weight lies. Weights add up to 1.
func weightedQuantile(values, weights []float64, q float64) float64 {
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

// table is a matrix of zeros.
func table(rows, columns int) [][]float64 {
	t := make([][]float64, rows)
	for r := range t {
		t[r] = make([]float64, columns)
	}
	return t
}
