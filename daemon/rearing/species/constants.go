package species

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strings"

	"rearguard/daemon/development"
)

// constants fills in the rate model, the requirement and where they are from.
// Exactly one of requirement, share of the total, durations, or a nonlinear
// model (whose requirement is one stage) must be stated.
func (d speciesDoc) constants(sd stageDoc, totals []*total, st *Stage) error {
	st.Spec = RateSpec{
		Model: cmp.Or(sd.Model, development.LinearModel), LowerC: sd.LowerC, UpperC: sd.UpperC,
		Cutoff: cmp.Or(sd.Cutoff, "horizontal"), Parameters: sd.Parameters,
	}
	linear := st.Spec.Model == development.LinearModel
	ways := 0
	for _, stated := range []bool{sd.Requirement != nil, sd.Share != nil && linear, sd.Durations != nil, !linear} {
		if stated {
			ways++
		}
	}
	if ways != 1 {
		return errors.New("the constants are not clear; state exactly one of requirement_degree_days, share of a total, durations, or a nonlinear model with parameters")
	}
	assumed := st.Source == ""
	switch {
	case !linear:
		// One model may cover several stages, each a share of it.
		st.Requirement = 1
		if sd.Share != nil {
			st.Requirement = *sd.Share
			assumed = true
		}
	case sd.Requirement != nil:
		if sd.LowerC == nil {
			return errors.New("requirement_degree_days needs the lower_celsius it was found with; add that key")
		}
		st.Requirement = *sd.Requirement
		if !(st.Requirement > 0) || math.IsInf(st.Requirement, 1) {
			return fmt.Errorf("requirement %v is not a number of degree-days above 0", st.Requirement)
		}
		if st.Method == "" && !assumed && !d.fromFacility {
			return errors.New("a sourced requirement needs its method; add method: regression or ikemoto-takai")
		}
	case sd.Share != nil:
		t, err := totalOf(sd, totals)
		if err != nil {
			return err
		}
		if sd.LowerC != nil {
			return errors.New("a share of a total uses the total's threshold; leave lower_celsius out")
		}
		t.shares += *sd.Share
		st.Requirement = *sd.Share * t.degreeDays
		st.Spec.LowerC = &t.lowerC
		st.Spec.UpperC = cmp.Or(sd.UpperC, t.UpperC)
		st.Method = t.Method
		st.Source = fmt.Sprintf("%s, for %s as a whole; share of this stage: %s", t.Source, t.ID, CommonPractice)
		st.Note = strings.TrimSpace(st.Note + " " + t.Note)
		// The split is an assumption even where the total is published.
		assumed = true
	default:
		lower, requirement, err := fromStageDurations(st.durations, sd.LowerC)
		if err != nil {
			return err
		}
		st.Requirement, st.Spec.LowerC = requirement, &lower
		st.Method = FromDurations
		assumed = assumed || len(sd.Durations) == 1
	}
	st.Source = cmp.Or(st.Source, CommonPractice)
	st.Assumed = assumed || sd.Assumed != nil && *sd.Assumed
	return nil
}

// fromStageDurations computes the lower threshold in °C and the requirement
// in degree-days from durations at constant temperatures. With one duration
// the threshold must be given, and the requirement is days × (T - threshold).
// With two or more it comes from the regression of 1/days on temperature:
// slope b and intercept a give threshold -a/b and requirement 1/b (Campbell
// et al. 1974, J. Appl. Ecol. 11:431).
func fromStageDurations(ds []stageDuration, lowerC *float64) (thresholdC, degreeDays float64, err error) {
	if len(ds) == 0 {
		return 0, 0, errors.New("durations must have at least one entry")
	}
	if len(ds) == 1 {
		if lowerC == nil {
			return 0, 0, errors.New("one duration needs an assumed lower_celsius; or give durations at two or more temperatures")
		}
		if ds[0].TemperatureC <= *lowerC {
			return 0, 0, fmt.Errorf("the duration at %v °C cannot be: nothing develops at or below lower_celsius %v", ds[0].TemperatureC, *lowerC)
		}
		return *lowerC, ds[0].Days * (ds[0].TemperatureC - *lowerC), nil
	}
	if lowerC != nil {
		return 0, 0, errors.New("durations at two or more temperatures give the threshold; leave lower_celsius out")
	}
	var meanT, meanR float64
	for _, d := range ds {
		meanT += d.TemperatureC / float64(len(ds))
		meanR += 1 / d.Days / float64(len(ds))
	}
	var sxx, sxy float64
	for _, d := range ds {
		sxx += (d.TemperatureC - meanT) * (d.TemperatureC - meanT)
		sxy += (d.TemperatureC - meanT) * (1/d.Days - meanR)
	}
	if sxx < 1 {
		return 0, 0, errors.New("durations must be at temperatures at least 2 °C apart to give a threshold")
	}
	slope := sxy / sxx
	if slope <= 0 {
		return 0, 0, errors.New("the stage must be shorter where it is warmer; check the durations, and leave out temperatures above the optimum")
	}
	thresholdC = meanT - meanR/slope
	if thresholdC < -10 || thresholdC > 25 {
		return 0, 0, fmt.Errorf("the durations give a lower threshold of %.1f °C, which no butterfly or moth has; check them", thresholdC)
	}
	return thresholdC, 1 / slope, nil
}
