// Package fitting estimates the constants of development from stage durations
// at known temperatures: the lower threshold and thermal requirement of the
// degree-day model, and the parameters of the nonlinear models.
package fitting

import (
	"errors"
	"fmt"
	"math"
)

// Observation is how long a stage took at a temperature: the mean of the
// animals reared at a constant one, or of one cohort at its mean one.
type Observation struct {
	TemperatureC float64 `json:"temperature_celsius"`
	Days         float64 `json:"days"`
}

// Method says how a pair of threshold and requirement was found. Values of
// different methods differ by up to 2 °C on the same data and must never be
// mixed.
type Method string

// The methods. The zero value is unknown.
const (
	// Regression is the line of the rate over temperature (Campbell et al. 1974).
	Regression Method = "regression"
	// ReducedMajorAxis is the line of Ikemoto and Takai 2000.
	ReducedMajorAxis Method = "ikemoto-takai"
	// Assumed values are no fit of measured durations.
	Assumed Method = "assumed"
)

// Estimate is a lower developmental threshold t in °C and a thermal
// requirement K in degree-days, which belong together.
type Estimate struct {
	Method      Method  `json:"method"`
	ThresholdC  float64 `json:"threshold_celsius"`
	Requirement float64 `json:"requirement_degree_days"`
	// The variances and the covariance of the two; the covariance is strongly
	// negative in most data.
	ThresholdVariance   float64 `json:"threshold_variance"`
	RequirementVariance float64 `json:"requirement_variance"`
	Covariance          float64 `json:"covariance"`
}

// NewEstimate returns an estimate from published values with their standard
// errors and the correlation of the two, 0 if it is not known.
func NewEstimate(method Method, thresholdC, thresholdSE, requirement, requirementSE, correlation float64) (Estimate, error) {
	e := Estimate{
		Method: method, ThresholdC: thresholdC, Requirement: requirement,
		ThresholdVariance: thresholdSE * thresholdSE, RequirementVariance: requirementSE * requirementSE,
		Covariance: correlation * thresholdSE * requirementSE,
	}
	return e, e.check()
}

// ThresholdSE returns the standard error of the threshold in °C.
func (e Estimate) ThresholdSE() float64 { return math.Sqrt(e.ThresholdVariance) }

// RequirementSE returns the standard error of the requirement in degree-days.
func (e Estimate) RequirementSE() float64 { return math.Sqrt(e.RequirementVariance) }

// Days returns the expected duration at a constant temperature, and its
// standard error from the uncertainty of the constants. Both are infinite at
// and below the threshold.
func (e Estimate) Days(temperatureC float64) (days, standardError float64) {
	excess := temperatureC - e.ThresholdC
	if !(excess > 0) {
		return math.Inf(1), math.Inf(1)
	}
	days = e.Requirement / excess
	byThreshold, byRequirement := days/excess, 1/excess
	variance := byThreshold*byThreshold*e.ThresholdVariance + byRequirement*byRequirement*e.RequirementVariance +
		2*byThreshold*byRequirement*e.Covariance
	return days, math.Sqrt(math.Max(0, variance))
}

func (e Estimate) check() error {
	for _, v := range []float64{e.ThresholdC, e.Requirement, e.ThresholdVariance, e.RequirementVariance, e.Covariance} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return errors.New("threshold, requirement and their errors must be finite numbers")
		}
	}
	switch {
	case !(e.Requirement > 0):
		return fmt.Errorf("requirement is %g degree-days, want above zero", e.Requirement)
	case !(e.ThresholdVariance > 0 && e.RequirementVariance > 0):
		return errors.New("threshold and requirement need standard errors above zero")
	case e.Covariance*e.Covariance >= e.ThresholdVariance*e.RequirementVariance:
		return errors.New("the correlation of threshold and requirement must be between -1 and 1")
	}
	return nil
}

// check refuses durations that no fit can use. distinct is how many different
// temperatures are needed.
func check(observations []Observation, distinct int) error {
	temperatures := map[float64]bool{}
	for i, o := range observations {
		switch {
		case math.IsNaN(o.TemperatureC) || math.IsInf(o.TemperatureC, 0):
			return fmt.Errorf("observation %d: temperature is %g, not a finite number", i+1, o.TemperatureC)
		case !(o.Days > 0) || math.IsInf(o.Days, 1):
			return fmt.Errorf("observation %d: duration is %g days, want above zero", i+1, o.Days)
		}
		temperatures[o.TemperatureC] = true
	}
	if len(temperatures) < distinct {
		return fmt.Errorf("need durations at %d different temperatures, have %d", distinct, len(temperatures))
	}
	return nil
}
