package development

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
)

// RateSpec names a rate model and its parameters, in species files and in
// configuration. The model "linear" has the parameters lower and, if it has an
// upper threshold, upper, both in °C, and a cut-off; for the parameters of the
// others see ModelNamed.
type RateSpec struct {
	Model      string             `yaml:"model" json:"model"`
	Parameters map[string]float64 `yaml:"parameters" json:"parameters"`
	// Cutoff is used by the linear model only.
	Cutoff Cutoff `yaml:"cutoff,omitempty" json:"cutoff,omitzero"`
}

// LinearModel is the name of the degree-day model in a RateSpec.
const LinearModel = "linear"

// NewRate returns the rate model that spec names. It reports every unknown,
// missing and impossible parameter.
func NewRate(spec RateSpec) (Rate, error) {
	if spec.Model == LinearModel {
		parameters := []Parameter{{Name: "lower"}, {Name: "upper", Optional: true, Default: NoUpper}}
		values, err := spec.values(parameters)
		if err != nil {
			return nil, err
		}
		model, err := NewLinear(values[0], values[1], spec.Cutoff)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", spec.Model, err)
		}
		return model, nil
	}
	model, err := ModelNamed(spec.Model)
	if err != nil {
		return nil, err
	}
	if spec.Cutoff != Horizontal {
		return nil, fmt.Errorf("%s: has no cut-off, only the linear model does", spec.Model)
	}
	values, err := spec.values(model.Parameters)
	if err != nil {
		return nil, err
	}
	return NewNonlinear(model, values)
}

// values puts the named parameters in order.
func (s RateSpec) values(parameters []Parameter) ([]float64, error) {
	values := make([]float64, len(parameters))
	var names []string
	var errs []error
	for i, p := range parameters {
		names = append(names, p.Name)
		value, given := s.Parameters[p.Name]
		switch {
		case given:
			values[i] = value
		case p.Optional:
			values[i] = p.Default
		default:
			errs = append(errs, fmt.Errorf("%s: parameter %s is missing", s.Model, p.Name))
		}
	}
	var unknown []string
	for name := range s.Parameters {
		if !slices.Contains(names, name) {
			unknown = append(unknown, name)
		}
	}
	sort.Strings(unknown)
	for _, name := range unknown {
		errs = append(errs, fmt.Errorf("%s: unknown parameter %s (want %s)", s.Model, name, strings.Join(names, ", ")))
	}
	return values, errors.Join(errs...)
}
