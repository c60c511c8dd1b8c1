package rearing

import "math"

// betaBinomial is the chance of k in n when the share is drawn from a beta
// distribution with parameters a and b.
func betaBinomial(k, n int, a, b float64) float64 {
	lg := func(x float64) float64 {
		v, _ := math.Lgamma(x)
		return v
	}
	x, m := float64(k), float64(n)
	return math.Exp(lg(m+1) - lg(x+1) - lg(m-x+1) +
		lg(x+a) + lg(m-x+b) - lg(m+a+b) + lg(a+b) - lg(a) - lg(b))
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
