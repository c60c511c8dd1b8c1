package rearing

import (
	"fmt"

	"rearguard/daemon/development"
)

// RateSpec is a rate model as a species entry states it.
type RateSpec struct {
	// Model is "linear" or the name of a nonlinear model.
	Model string
	// LowerC and UpperC are thresholds in °C; UpperC nil is no upper one.
	LowerC, UpperC *float64
	// Cutoff is "horizontal", "vertical" or "intermediate".
	Cutoff string
	// Parameters are those of a nonlinear model by name.
	Parameters map[string]float64
}

// newRate builds the model of a spec.
func newRate(spec RateSpec) (development.Rate, error) {
	if spec.Model != "linear" {
		return nil, fmt.Errorf("unknown rate model %q", spec.Model)
	}
	if spec.LowerC == nil {
		return nil, fmt.Errorf("a linear model needs lower_celsius")
	}
	cutoff, err := development.ParseCutoff(spec.Cutoff)
	if err != nil {
		return nil, err
	}
	upper := development.NoUpper
	if spec.UpperC != nil {
		upper = *spec.UpperC
	}
	return development.NewLinear(*spec.LowerC, upper, cutoff)
}
