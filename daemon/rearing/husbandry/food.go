package husbandry

import (
	"math"
	"sort"
	"time"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
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
func FoodByStage(sp *species.Species, gramsPerLarva float64) map[species.StageID]float64 {
	food := map[species.StageID]float64{}
	left, next := 1.0, 0
	shares := defaultFoodShares()
	for s := len(sp.Stages) - 1; s >= 0; s-- {
		id := sp.Stages[s].ID
		if !id.IsLarva() {
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
func HostPlant(p *population.Progress, o *forecast.Outlook, loc *time.Location, food map[species.StageID]float64) ([]DayFood, error) {
	worlds, err := forecast.WorldsOf(p, o)
	if err != nil {
		return nil, err
	}
	days := o.LocalDays(p.Time(), loc)
	m := meals{cohort: p, outlook: o, food: food, now: o.HourOf(p.Time()), bounds: o.HoursOf(days),
		eaten: worlds.Table(len(days)), feeding: worlds.Table(len(days))}
	worlds.Walk(p, o, m.add)
	var out []DayFood
	alive := float64(p.Alive())
	at := make([]float64, len(worlds))
	for d := range len(days) - 1 {
		f := DayFood{Day: days[d]}
		for w := range worlds {
			at[w] = m.eaten[w][d] * alive
			f.Grams += worlds[w].Belief * at[w]
			f.Larvae += worlds[w].Belief * m.feeding[w][d] * alive
		}
		if f.Grams < 0.01 {
			continue
		}
		f.Low = math.Min(f.Grams, worlds.Quantile(at, 0.1))
		f.High = math.Max(f.Grams, worlds.Quantile(at, 0.9))
		out = append(out, f)
	}
	return out, nil
}

// meals gathers what the animals of a cohort eat on each day, per animal alive
// now.
type meals struct {
	cohort  *population.Progress
	outlook *forecast.Outlook
	food    map[species.StageID]float64
	// now and bounds of the days are in hours after the outlook's start.
	now    float64
	bounds []float64
	// eaten[w][d] are grams, feeding[w][d] animals, on day d in world w.
	eaten, feeding [][]float64
}

// add follows animal i of world w through its stages.
func (m *meals) add(w, i int, entered []float64) {
	p, sp := m.cohort, m.cohort.Species()
	for s := range len(entered) - 1 {
		st := &sp.Stages[s]
		grams, from, to := m.food[st.ID], math.Max(entered[s], m.now), entered[s+1]
		if grams == 0 || math.IsInf(from, 1) || math.IsInf(to, -1) {
			continue
		}
		if math.IsInf(entered[s], -1) {
			// Of its present stage's food it has eaten a part already.
			grams *= math.Min(1, math.Max(0, p.Left(i)/p.Requirement(i, s)))
		}
		if math.IsInf(to, 1) {
			// It ends beyond the outlook; at the outlook's last temperature
			// the typical animal takes so long.
			to = from + 24*st.Requirement/math.Max(1e-9, st.Rate.PerDay(m.outlook.LastC()))
		}
		reach := p.ShareWithin(i) * sp.SurvivalBetween(p.StageOf(i), s)
		for d := max(0, sort.SearchFloat64s(m.bounds, from)-1); d < len(m.bounds)-1 && m.bounds[d] < to; d++ {
			overlap := math.Max(0, math.Min(to, m.bounds[d+1])-math.Max(from, m.bounds[d]))
			m.eaten[w][d] += reach * grams * overlap / math.Max(to-from, 1e-6)
			if noon := (m.bounds[d] + m.bounds[d+1]) / 2; noon >= from && noon < to {
				m.feeding[w][d] += reach
			}
		}
	}
}
