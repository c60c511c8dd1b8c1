package api

import (
	"time"

	"rearguard/daemon/development/fitting"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/study"
)

// Fit is what finished cohorts say about one stage, or about several between
// which nobody counted.
type Fit struct {
	Species      string        `json:"species"`
	Stage        string        `json:"stage" doc:"stage entered first"`
	Until        string        `json:"until" doc:"stage whose entry ended it"`
	Observations []Observation `json:"observations"`
	Start        *Estimate     `json:"start,omitempty" doc:"what the species entry says"`
	Corrected    *Estimate     `json:"corrected,omitempty" doc:"the entry drawn towards the observations as far as these weigh"`
	Regression   *Estimate     `json:"regression,omitempty" doc:"own line of the rate (Campbell et al. 1974)"`
	Ikemoto      *Estimate     `json:"ikemoto_takai,omitempty" doc:"own reduced major axis (Ikemoto and Takai 2000)"`
	Adopted      string        `json:"adopted,omitempty" doc:"which of them is in force; absent for the species entry"`
	DecidedBy    string        `json:"decided_by,omitempty"`
	Decided      *time.Time    `json:"decided,omitempty"`
}

// Observation is how long one cohort took.
type Observation struct {
	Cohort      string  `json:"cohort"`
	Duration    float64 `json:"duration_seconds"`
	Doubt       float64 `json:"duration_standard_error_seconds" doc:"from the time between counts"`
	Temperature float64 `json:"mean_temperature_celsius"`
}

// Estimate is a lower threshold and a requirement that belong together.
type Estimate struct {
	Method        string  `json:"method"`
	Threshold     float64 `json:"threshold_celsius"`
	ThresholdSE   float64 `json:"threshold_standard_error_celsius"`
	Requirement   float64 `json:"requirement_degree_days"`
	RequirementSE float64 `json:"requirement_standard_error_degree_days"`
}

func learningOf(s *snapshot.Snapshot) []Fit {
	out := []Fit{}
	if s.Learning == nil || s.Starting == nil {
		return out
	}
	for _, f := range study.Fits(s.Starting, s.Learning.Observations) {
		one := Fit{
			Species: string(f.Species), Stage: string(f.Stage), Until: string(f.Until),
			Observations: each(f.Observations, func(o *study.Observation) Observation {
				const day = 24 * 3600
				return Observation{string(o.Cohort), finite(o.Days * day), finite(o.DoubtDays * day), finite(o.TemperatureC)}
			}),
			Start: estimateOf(&f.Start), Corrected: estimateOf(f.Proposal),
		}
		if f.Regression != nil {
			one.Regression = estimateOf(&f.Regression.Estimate)
		}
		if f.IkemotoTakai != nil {
			one.Ikemoto = estimateOf(&f.IkemotoTakai.Estimate)
		}
		if d := s.Learning.Decided(f.Key); d != nil {
			one.DecidedBy, one.Decided = d.Who, instant(d.At)
			if d.Adopted {
				one.Adopted = d.Fit
			}
		}
		out = append(out, one)
	}
	return out
}

func estimateOf(e *fitting.Estimate) *Estimate {
	if e == nil || e.Requirement == 0 {
		return nil
	}
	return &Estimate{string(e.Method), finite(e.ThresholdC), finite(e.ThresholdSE()), finite(e.Requirement), finite(e.RequirementSE())}
}
