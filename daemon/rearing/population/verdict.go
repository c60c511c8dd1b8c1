package population

import (
	"math"
	"time"

	"rearguard/daemon/rearing/species"
)

// Verdict is how a count agreed with what was known before it.
type Verdict struct {
	Count CountID         `json:"count"`
	Time  time.Time       `json:"time"`
	Stage species.StageID `json:"stage"`
	// Seen of Of animals; Expected, between Low and High with a chance of
	// 80 %, were expected.
	Seen     int     `json:"seen"`
	Of       int     `json:"of"`
	Expected float64 `json:"expected"`
	Low      int     `json:"low"`
	High     int     `json:"high"`
	// Chance of a count at least as far off, 0 to 1.
	Chance float64 `json:"chance"`
	// Conflict is set when that chance is below 1 %: the count is mistaken,
	// the cohort was mixed up, or the species' constants do not fit.
	Conflict bool `json:"conflict"`
}

// verdictOf compares what was seen with the chances of each number: mean,
// central 80 %, and the chance of being at least as far off on that side,
// twice. With atLeast only too many can be wrong.
func verdictOf(chances []float64, seen int, atLeast bool) Verdict {
	var v Verdict
	most, least, run := 0.0, 0.0, 0.0
	v.Low = -1
	for k, c := range chances {
		v.Expected += float64(k) * c
		run += c
		if v.Low < 0 && run > 0.1 {
			v.Low = k
		}
		if run < 0.9 {
			v.High = k + 1
		}
		if k <= seen {
			most += c
		}
		if k >= seen {
			least += c
		}
	}
	v.High = min(v.High, len(chances)-1)
	v.Low = max(v.Low, 0)
	v.Chance = 2 * math.Min(most, least)
	if atLeast {
		v.Chance = least
	}
	v.Chance = math.Min(1, v.Chance)
	v.Conflict = v.Chance < conflictChance
	return v
}
