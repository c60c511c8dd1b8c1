package rearing

import (
	"cmp"
	"slices"
)

// StageConstants are thermal constants of one stage that a facility has found
// in its own finished cohorts and adopts.
type StageConstants struct {
	Stage StageID `json:"stage"`
	// LowerC in °C and Requirement in degree-days belong together.
	LowerC      float64 `json:"lower_celsius"`
	Requirement float64 `json:"requirement_degree_days"`
	// Spread is the coefficient of variation of Requirement; 0 keeps what the
	// species says.
	Spread float64 `json:"spread_ratio,omitempty"`
	Method Method  `json:"method"`
	// Source says which cohorts, for example "12 cohorts of 2025 and 2026".
	Source string `json:"source"`
}

// Adopted returns an entry that sets the constants of some stages of a
// species, for Catalog.With. A rate spread of 0 keeps what the species says.
func Adopted(id SpeciesID, stages []StageConstants, rateSpread float64) Entry {
	d := speciesDoc{id: id, adopted: true, at: place{name: "adopted constants", path: string(id)}}
	if rateSpread > 0 {
		d.rateSpread = &rateSpread
	}
	for _, c := range stages {
		method := string(c.Method)
		s := stageDoc{id: c.Stage, at: place{name: "adopted constants", path: string(id) + "." + string(c.Stage)},
			lower: &c.LowerC, requirement: &c.Requirement, method: &method, source: &c.Source}
		if c.Spread > 0 {
			s.spread = &c.Spread
		}
		d.stages = append(d.stages, s)
	}
	return Entry{d}
}

// LossSum is how many animals were lost in one stage to one cause.
type LossSum struct {
	Stage  StageID `json:"stage"`
	Cause  string  `json:"cause"`
	Number int     `json:"number"`
}

// SumLosses adds losses up by stage and cause, in order of stage.
func SumLosses(losses []Loss) []LossSum {
	var sums []LossSum
	for _, l := range losses {
		i := slices.IndexFunc(sums, func(s LossSum) bool { return s.Stage == l.Stage && s.Cause == l.Cause })
		if i < 0 {
			i = len(sums)
			sums = append(sums, LossSum{Stage: l.Stage, Cause: l.Cause})
		}
		sums[i].Number += l.Number
	}
	slices.SortStableFunc(sums, func(a, b LossSum) int {
		return cmp.Or(cmp.Compare(stageRank(a.Stage), stageRank(b.Stage)), cmp.Compare(a.Cause, b.Cause))
	})
	return sums
}
