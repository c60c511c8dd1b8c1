package species

import (
	"errors"

	"rearguard/daemon/development"
)

// RateSpec is a rate model as a species entry states it.
type RateSpec struct {
	// Model is "linear" or the name of a nonlinear model (development.ModelNames).
	Model string
	// LowerC and UpperC are thresholds in °C; UpperC nil is no upper one.
	// Beside a nonlinear model they only count the degree-days that are shown.
	LowerC, UpperC *float64
	// Cutoff is "horizontal", "vertical" or "intermediate".
	Cutoff string
	// Parameters are those of a nonlinear model by name.
	Parameters map[string]float64
}

// newRate builds the model of a spec.
func newRate(spec RateSpec) (development.Rate, error) {
	d := development.RateSpec{Model: spec.Model, Parameters: spec.Parameters}
	if spec.Model == development.LinearModel {
		switch {
		case spec.LowerC == nil:
			return nil, errors.New("a linear model needs lower_celsius")
		case spec.Parameters != nil:
			return nil, errors.New("a linear model takes lower_celsius and upper_celsius, not parameters")
		}
		d.Parameters = map[string]float64{"lower": *spec.LowerC}
		if spec.UpperC != nil {
			d.Parameters["upper"] = *spec.UpperC
		}
		cutoff, err := development.ParseCutoff(spec.Cutoff)
		if err != nil {
			return nil, err
		}
		d.Cutoff = cutoff
	}
	return development.NewRate(d)
}
