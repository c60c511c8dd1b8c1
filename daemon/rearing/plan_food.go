package rearing

import (
	"math"
	"sort"
	"time"
)

// DayFood is the fresh host plant a cohort is expected to eat on one day.
type DayFood struct {
	Day time.Time `json:"day"`
	// Larvae is the number of feeding animals at noon.
	Larvae float64 `json:"larvae"`
	// Grams is the expected fresh mass eaten; Low and High bound the central
	// 80 %. Cut more: leaves wilt and larvae do not find them all.
	Grams float64 `json:"grams"`
	Low   float64 `json:"low_grams"`
	High  float64 `json:"high_grams"`
}

// defaultFoodShares is how the food of a larva is spread over its instars,
// the last one first: the last eats most of all. Common practice, no published
// source; verify on site.
func defaultFoodShares() [3]float64 { return [3]float64{0.80, 0.14, 0.04} }

// FoodByStage spreads the grams that one larva eats in its life over its
// instars, as is commonly assumed.
func FoodByStage(sp *Species, gramsPerLarva float64) map[StageID]float64 {
	food := map[StageID]float64{}
	left, next := 1.0, 0
	shares := defaultFoodShares()
	for s := len(sp.Stages) - 1; s >= 0; s-- {
		id := sp.Stages[s].ID
		if r := stageRank(id); r < 2 || r > 100 {
			continue
		}
		share := left / 2
		if next < len(shares) {
			share = shares[next]
		}
		food[id] = gramsPerLarva * share
		left -= share
		next++
	}
	return food
}

// HostPlant returns the food a cohort needs on each local day to come, days
// without any left out. Food is what one animal eats in each stage, in grams;
// an animal eats it evenly over its time in the stage.
func (p *Progress) HostPlant(o *Outlook, loc *time.Location, food map[StageID]float64) ([]DayFood, error) {
	worlds, err := p.worlds(o)
	if err != nil {
		return nil, err
	}
	days := dayStarts(p.now, o.Until(), loc)
	bounds := hoursAfter(o.from, days)
	now := p.now.Sub(o.from).Hours()
	eaten, feeding := table(len(worlds), len(days)), table(len(worlds), len(days))
	p.walk(o, worlds, func(w, i int, entered []float64) {
		for s := range len(entered) - 1 {
			st := &p.species.Stages[s]
			grams, from, to := food[st.ID], math.Max(entered[s], now), entered[s+1]
			if grams == 0 || math.IsInf(from, 1) || math.IsInf(to, -1) {
				continue
			}
			if math.IsInf(entered[s], -1) {
				// Of its present stage's food it has eaten a part already.
				grams *= math.Min(1, math.Max(0, (p.target[i]-p.sums[s])/p.requirement(i, s)))
			}
			if math.IsInf(to, 1) {
				// It ends beyond the outlook; at the outlook's last temperature
				// the typical animal takes so long.
				to = from + 24*st.Requirement/math.Max(1e-9, st.Rate.PerDay(o.temps[0][o.hours]))
			}
			reach := p.own(i) * p.species.survivalTo(int(p.stage[i]), s)
			for d := max(0, sort.SearchFloat64s(bounds, from)-1); d < len(days)-1 && bounds[d] < to; d++ {
				overlap := math.Max(0, math.Min(to, bounds[d+1])-math.Max(from, bounds[d]))
				eaten[w][d] += reach * grams * overlap / math.Max(to-from, 1e-6)
				if noon := (bounds[d] + bounds[d+1]) / 2; noon >= from && noon < to {
					feeding[w][d] += reach
				}
			}
		}
	})
	var out []DayFood
	alive := float64(p.alive)
	at := make([]float64, len(worlds))
	for d := range len(days) - 1 {
		f := DayFood{Day: days[d]}
		for w := range worlds {
			at[w] = eaten[w][d] * alive
			f.Grams += worlds[w].belief * at[w]
			f.Larvae += worlds[w].belief * feeding[w][d] * alive
		}
		if f.Grams < 0.01 {
			continue
		}
		f.Low = math.Min(f.Grams, quantileOver(worlds, at, 0.1))
		f.High = math.Max(f.Grams, quantileOver(worlds, at, 0.9))
		out = append(out, f)
	}
	return out, nil
}
