package study

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

// Truth is a simulated cohort: what really happens to its animals, by plain
// steps through the hours, independent of how progress is computed.
type Truth struct {
	Species *species.Species
	Start   time.Time
	// Entered is when each animal enters each stage, in hours since Start;
	// infinite beyond the air given.
	Entered [][]float64
}

// misread is the share of animals that an invented keeper puts into the wrong
// stage.
const misread = 0.03

// Draw lets animals grow up in hourly air from a start on. Their cohort as a
// whole is z standard deviations of its species' rate spread off.
func Draw(rng *rand.Rand, sp *species.Species, start time.Time, air []float64, z float64, animals int) Truth {
	t := Truth{Species: sp, Start: start}
	factor := math.Exp(z * sp.RateSpread)
	last := len(sp.Stages) - 1
	for range animals {
		entered := make([]float64, len(sp.Stages))
		for s := 1; s <= last; s++ {
			entered[s] = math.Inf(1)
		}
		need := func(s int) float64 {
			st := &sp.Stages[s]
			return st.Requirement * st.Distribution.Quantile(rng.Float64(), st.Spread) / factor
		}
		s, left := 0, need(0)
		for h := 0; h+1 < len(air) && s < last; h++ {
			hour := 1.0
			for s < last {
				rate := sp.Stages[s].Rate.PerDay((air[h]+air[h+1])/2) / 24
				if left > rate*hour {
					left -= rate * hour
					break
				}
				hour -= left / rate
				s++
				entered[s] = float64(h) + 1 - hour
				if s < last {
					left = need(s)
				}
			}
		}
		t.Entered = append(t.Entered, entered)
	}
	return t
}

// stageAt is how many animals are in each stage at an hour.
func (t *Truth) stageAt(hour float64) []int {
	in := make([]int, len(t.Species.Stages))
	for _, e := range t.Entered {
		s := 0
		for s+1 < len(e) && e[s+1] <= hour {
			s++
		}
		in[s]++
	}
	return in
}

// Count is what a keeper notes at an hour who looks at some of the animals and
// misreads a few: how many are in the fullest stage.
func (t *Truth) Count(rng *rand.Rand, id population.CohortID, hour float64) population.Count {
	in := t.stageAt(hour)
	main := 0
	for s := range in {
		if in[s] > in[main] {
			main = s
		}
	}
	of := len(t.Entered)/2 + rng.IntN(len(t.Entered)/2)
	seen := 0
	for _, k := range rng.Perm(len(t.Entered))[:of] {
		is := k < in[main]
		if rng.Float64() < misread {
			is = !is
		}
		if is {
			seen++
		}
	}
	return population.Count{Cohort: id, Time: t.Start.Add(time.Duration(hour * float64(time.Hour))), Stage: t.Species.Stages[main].ID, Seen: seen, Of: of, By: "simulated"}
}

// Score gathers how forecasts compare with what came.
type Score struct {
	Forecasts int `json:"forecasts"`
	Events    int `json:"events"`
	Outcomes  int `json:"outcomes"`
	inside    int
	width     float64
	bias      float64
	naive     []float64
}

// Take compares the interval of one event with when the animals had it, all in
// hours since the start. Naive is the date that the species' mean days give.
func (s *Score) Take(early, median, late, naive float64, came []float64) {
	s.Events++
	s.width += late - early
	for _, x := range came {
		s.Outcomes++
		if x >= early && x <= late {
			s.inside++
		}
		s.naive = append(s.naive, math.Abs(naive-x))
	}
	sorted := slices.Sorted(slices.Values(came))
	s.bias += median - sorted[len(sorted)/2]
}

// Reliability is a score in numbers.
type Reliability struct {
	Score
	// Coverage is the share of animals whose event fell into the 80 %
	// interval.
	Coverage float64 `json:"coverage_ratio"`
	// WidthDays is the mean width of the interval, BiasDays how much later than
	// it came the median was forecast.
	WidthDays float64 `json:"width_days"`
	BiasDays  float64 `json:"bias_days"`
	// Sharpness is the width against that which the naive date (the species'
	// mean days at 25 °C from the start) needs around it to hold 80 %.
	Sharpness float64 `json:"width_against_naive_ratio"`
}

// Result sums the score up.
func (s *Score) Result() Reliability {
	r := Reliability{Score: *s}
	if s.Events == 0 || s.Outcomes == 0 {
		return r
	}
	slices.Sort(s.naive)
	n := float64(s.Events)
	r.Coverage = float64(s.inside) / float64(s.Outcomes)
	r.WidthDays, r.BiasDays = s.width/n/24, s.bias/n/24
	if reach := s.naive[len(s.naive)*8/10]; reach > 0 {
		r.Sharpness = s.width / n / (2 * reach)
	}
	return r
}

// NaiveHours is when the mean animal of a species enters a stage at a constant
// 25 °C, in hours from the egg on.
func NaiveHours(sp *species.Species, stage int) float64 {
	hours := 0.0
	for s := range stage {
		hours += 24 * sp.Stages[s].Requirement / sp.Stages[s].Rate.PerDay(referenceC)
	}
	return hours
}
