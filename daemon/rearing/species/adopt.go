package species

import (
	"rearguard/daemon/strict"
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
func Adopted(id ID, stages []StageConstants, rateSpread float64) Entry {
	d := speciesDoc{ID: id, adopted: true, At: strict.Place{File: "adopted constants", Path: string(id)}}
	if rateSpread > 0 {
		d.RateSpread = &rateSpread
	}
	for _, c := range stages {
		s := stageDoc{ID: c.Stage, At: strict.Place{File: "adopted constants", Path: string(id) + "." + string(c.Stage)},
			thermalDoc: thermalDoc{LowerC: &c.LowerC, Requirement: &c.Requirement}, Method: c.Method, Source: c.Source}
		if c.Spread > 0 {
			s.Spread = &c.Spread
		}
		d.Stages = append(d.Stages, s)
	}
	return Entry{d}
}
