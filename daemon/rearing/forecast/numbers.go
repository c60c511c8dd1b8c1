package forecast

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

// DayNumbers is how many animals are expected to pass one event on one day.
type DayNumbers struct {
	// Day is the start of the local day.
	Day   time.Time         `json:"day"`
	Event species.EventName `json:"event"`
	Stage species.StageID   `json:"stage"`
	// Expected is the mean; Low and High bound the central 80 %.
	Expected float64 `json:"expected"`
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
}

// leastOfDay is the number of animals below which a day is left out.
const leastOfDay = 0.05

// NumbersIn returns for each coming event how many of the cohort's living
// animals are expected to pass it in each span of a list, from one bound to the
// next; spans without any are left out, and Day is where a span begins. Bounds
// must be in order. The interval holds doubt about the cohort's rate and the
// air, which move all animals together, and the chance of each animal. Animals
// are lost on the way as the species' stages say. The cost is in following the
// animals, so several lists of bounds are better asked for together.
func NumbersIn(p *population.Progress, o *Outlook, lists ...[]time.Time) ([][]DayNumbers, error) {
	worlds, err := WorldsOf(p, o)
	if err != nil {
		return nil, err
	}
	sp := p.Species()
	stages := len(sp.Stages)
	bounds := make([][]float64, len(lists))
	shares := make([][][]float64, len(lists))
	for n, days := range lists {
		if len(days) < 2 || !slices.IsSortedFunc(days, time.Time.Compare) {
			return nil, fmt.Errorf("numbers of animals: want bounds of spans in order of time, have %v", days)
		}
		bounds[n] = o.HoursOf(days)
		shares[n] = worlds.Table(stages * len(days))
	}
	worlds.Walk(p, o, func(w, i int, entered []float64) {
		for s, hour := range entered {
			if math.IsInf(hour, 0) {
				continue
			}
			share := p.ShareWithin(i) * sp.SurvivalBetween(p.StageOf(i), s)
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
		for s := p.First() + 1; s < stages; s++ {
			id := sp.Stages[s].ID
			for d := range len(days) - 1 {
				for w := range worlds {
					at[w] = shares[n][w][s*len(days)+d]
				}
				if mean, low, high := numberOver(worlds, at, float64(p.Alive())); mean >= leastOfDay {
					out[n] = append(out[n], DayNumbers{days[d], species.EventInto(id), id, mean, low, high})
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
func numberOver(worlds Worlds, shares []float64, alive float64) (mean, low, high float64) {
	chance := 0.0
	for w, f := range shares {
		mean += worlds[w].Belief * f * alive
		chance += worlds[w].Belief * f * (1 - math.Min(1, f)) * alive
	}
	if mean == 0 {
		return 0, 0, 0
	}
	// Doubt and chance are independent: their distances from the middle add
	// up in squares. 1.2816 is the standard normal quantile of 90 %.
	byChance := 1.2816 * math.Sqrt(chance)
	lower := mean - alive*worlds.Quantile(shares, 0.1)
	upper := alive*worlds.Quantile(shares, 0.9) - mean
	low = math.Max(0, mean-math.Hypot(math.Max(0, lower), byChance))
	high = math.Min(alive, mean+math.Hypot(math.Max(0, upper), byChance))
	return mean, low, high
}
