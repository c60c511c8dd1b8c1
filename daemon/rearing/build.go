package rearing

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rearguard/daemon/development"
)

// Spreads of the rate of whole cohorts when an entry states none: common
// practice, no published source. Assumed constants are trusted less.
const (
	publishedRateSpread = 0.05
	assumedRateSpread   = 0.10
	// Spread of requirement within a cohort when an entry states none. About
	// 8 % is the same-shape spread of Wagner et al. 1984 (from memory).
	publishedSpread = 0.08
	assumedSpread   = 0.12
)

// build turns an entry into a species, or tells everything that is missing.
func (d speciesDoc) build() (*Species, Problems) {
	sp := &Species{
		ID: d.id, CommonName: text(d.commonName), ScientificName: text(d.scientificName),
		RearedFor: text(d.rearedFor), HostPlant: text(d.hostPlant), Note: text(d.note),
	}
	switch {
	case d.fromLibrary && d.fromFacility:
		sp.Origin = "library, changed by facility"
	case d.fromLibrary:
		sp.Origin = "library"
	default:
		sp.Origin = "facility"
	}
	if len(d.stages) < 2 {
		return nil, Problems{d.at.problem("species %q needs at least two stages, the last one adult", d.id)}
	}
	totals, ps := d.resolveTotals()
	if len(ps) > 0 {
		return nil, ps
	}
	if sp.ScientificName == "" && sp.CommonName == "" {
		ps = append(ps, d.at.problem("species %q needs a scientific_name or a common_name", d.id))
	}
	if sp.CommonName == "" {
		sp.CommonName = sp.ScientificName
	}
	for i, sd := range d.stages {
		if i > 0 && stageRank(sd.id) <= stageRank(d.stages[i-1].id) {
			ps = append(ps, sd.at.problem("stage %q must stand before %q", sd.id, d.stages[i-1].id))
		}
		st, problems := d.stage(sd, totals, i == len(d.stages)-1)
		ps = append(ps, problems...)
		sp.Stages = append(sp.Stages, st)
	}
	if last := d.stages[len(d.stages)-1]; last.id != "adult" {
		ps = append(ps, last.at.problem("the last stage must be adult, not %q", last.id))
	}
	for _, t := range totals {
		// Where a facility has replaced stages of the library, the rest of the
		// total's shares stand as they are.
		if d.fromLibrary && d.fromFacility {
			break
		}
		if t.shares < 0.999 || t.shares > 1.001 {
			ps = append(ps, t.at.problem("the shares of the stages in total %q add up to %.4g; they must add up to 1", t.id, t.shares))
		}
	}
	if len(ps) > 0 {
		return nil, ps
	}
	sp.RateSpread = publishedRateSpread
	if sp.Assumed() {
		sp.RateSpread = assumedRateSpread
	}
	if d.rateSpread != nil {
		sp.RateSpread = *d.rateSpread
	}
	return sp, nil
}

// total is a totalDoc with its constants worked out, and what stages took.
type total struct {
	totalDoc
	lowerC, degreeDays, shares float64
}

func (d speciesDoc) resolveTotals() ([]*total, Problems) {
	var ps Problems
	var all []*total
	for _, t := range d.totals {
		r := &total{totalDoc: t}
		if t.id == "" || t.source == nil {
			ps = append(ps, t.at.problem("a total needs an id and a source"))
			continue
		}
		switch {
		case t.durations != nil && t.requirement == nil:
			lower, requirement, err := FromStageDurations(t.durations, t.lower)
			if err != nil {
				ps = append(ps, t.at.problem("total %q: %s", t.id, err))
				continue
			}
			r.lowerC, r.degreeDays = lower, requirement
			if t.method == nil {
				m := string(FromDurations)
				r.method = &m
			}
		case t.requirement != nil && t.durations == nil && t.lower != nil && t.method != nil:
			r.lowerC, r.degreeDays = *t.lower, *t.requirement
		default:
			ps = append(ps, t.at.problem("total %q needs either durations, or lower_celsius, requirement_degree_days and method", t.id))
			continue
		}
		all = append(all, r)
	}
	return all, ps
}

// totalOf finds the total that a stage takes its share of.
func totalOf(sd stageDoc, totals []*total) (*total, error) {
	for _, t := range totals {
		if sd.shareOf == nil && len(totals) == 1 || sd.shareOf != nil && t.id == *sd.shareOf {
			return t, nil
		}
	}
	if sd.shareOf == nil {
		return nil, fmt.Errorf("share needs a total of the species, and share_of when there are several")
	}
	return nil, fmt.Errorf("share_of names the total %q, which the species does not have", *sd.shareOf)
}

func (d speciesDoc) stage(sd stageDoc, totals []*total, last bool) (Stage, Problems) {
	st := Stage{
		ID: sd.id, Name: text(sd.name), Distribution: Weibull, Survival: 1, Durations: sd.durations,
		Source: text(sd.source), Method: Method(text(sd.method)), Note: text(sd.note),
	}
	if st.Name == "" {
		st.Name = defaultStageName(sd.id)
	}
	if sd.distribution != nil {
		st.Distribution = Distribution(*sd.distribution)
	}
	if sd.survival != nil {
		st.Survival = *sd.survival
	}
	if sd.length != nil {
		st.LengthMM = BodyLength{TypicalMM: *sd.length, SDMM: *sd.length * 0.15}
		if sd.lengthSD != nil {
			st.LengthMM.SDMM = *sd.lengthSD
		}
	}
	var ps Problems
	fail := func(format string, args ...any) {
		ps = append(ps, sd.at.problem("stage %q: "+format, append([]any{sd.id}, args...)...))
	}
	st.Limits = d.limits.over(sd.limits).build()
	if h, c := st.Limits.Heat, st.Limits.Chill; h != nil && c != nil && h.Value <= c.Value {
		fail("heat limit %v °C must be above chill limit %v °C", h.Value, c.Value)
	}
	st.Delicate = sd.delicate
	if st.Delicate == nil {
		st.Delicate = defaultWindows(sd.id)
	}
	if last && !sd.restates() {
		return st, ps
	}
	if err := d.constants(sd, totals, &st); err != nil {
		fail("%s", err)
		return st, ps
	}
	st.Spread = publishedSpread
	if st.Assumed {
		st.Spread = assumedSpread
	}
	if sd.spread != nil {
		st.Spread = *sd.spread
	}
	if !(st.Spread >= 0 && st.Spread <= maxSpread) {
		fail("spread %v is not from 0 to %v", st.Spread, maxSpread)
	}
	rate, err := newRate(st.Spec)
	if err != nil {
		fail("%s", err)
		return st, ps
	}
	st.Rate = rate
	st.rateKey = rateKey(st.Spec)
	if st.Spec.Model == development.LinearModel {
		st.DegreeDays = rate
	} else if st.Spec.LowerC != nil {
		linear := RateSpec{Model: development.LinearModel, LowerC: st.Spec.LowerC, UpperC: st.Spec.UpperC, Cutoff: st.Spec.Cutoff}
		if st.DegreeDays, err = newRate(linear); err != nil {
			fail("%s", err)
		}
	}
	return st, ps
}

// constants fills in the rate model, the requirement and where they are from.
// Exactly one of requirement, share of the total, durations, or a nonlinear
// model (whose requirement is one stage) must be stated.
func (d speciesDoc) constants(sd stageDoc, totals []*total, st *Stage) error {
	st.Spec = RateSpec{Model: text(sd.model), LowerC: sd.lower, UpperC: sd.upper, Cutoff: text(sd.cutoff), Parameters: sd.parameters}
	if st.Spec.Model == "" {
		st.Spec.Model = development.LinearModel
	}
	if st.Spec.Cutoff == "" {
		st.Spec.Cutoff = "horizontal"
	}
	linear := st.Spec.Model == development.LinearModel
	ways := 0
	for _, stated := range []bool{sd.requirement != nil, sd.share != nil && linear, sd.durations != nil, !linear} {
		if stated {
			ways++
		}
	}
	if ways != 1 {
		return fmt.Errorf("state exactly one of requirement_degree_days, share of a total, durations, or a nonlinear model with parameters")
	}
	assumed := st.Source == ""
	switch {
	case !linear:
		// One model may cover several stages, each a share of it.
		st.Requirement = 1
		if sd.share != nil {
			st.Requirement = *sd.share
			assumed = true
		}
	case sd.requirement != nil:
		if sd.lower == nil {
			return fmt.Errorf("requirement_degree_days needs the lower_celsius it was found with")
		}
		st.Requirement = *sd.requirement
		if !(st.Requirement > 0) || math.IsInf(st.Requirement, 1) {
			return fmt.Errorf("requirement %v is not a number of degree-days above 0", st.Requirement)
		}
		if st.Method == "" && !assumed && !d.fromFacility {
			return fmt.Errorf("a sourced requirement needs its method (regression or ikemoto-takai)")
		}
	case sd.share != nil:
		t, err := totalOf(sd, totals)
		if err != nil {
			return err
		}
		if sd.lower != nil {
			return fmt.Errorf("a share of a total uses the total's threshold; leave lower_celsius out")
		}
		t.shares += *sd.share
		st.Requirement = *sd.share * t.degreeDays
		st.Spec.LowerC = &t.lowerC
		st.Spec.UpperC = over(t.upper, sd.upper)
		st.Method = Method(*t.method)
		st.Source = fmt.Sprintf("%s, for %s as a whole; share of this stage: %s", *t.source, t.id, CommonPractice)
		st.Note = strings.TrimSpace(st.Note + " " + text(t.note))
		// The split is an assumption even where the total is published.
		assumed = true
	default:
		lower, requirement, err := FromStageDurations(sd.durations, sd.lower)
		if err != nil {
			return err
		}
		st.Requirement, st.Spec.LowerC = requirement, &lower
		st.Method = FromDurations
		assumed = assumed || len(sd.durations) == 1
	}
	if st.Source == "" {
		st.Source = CommonPractice
	}
	st.Assumed = assumed
	if sd.assumed != nil && *sd.assumed {
		st.Assumed = true
	}
	return nil
}

// FromStageDurations computes the lower threshold in °C and the requirement
// in degree-days from durations at constant temperatures. With one duration
// the threshold must be given, and the requirement is days × (T - threshold).
// With two or more it comes from the regression of 1/days on temperature:
// slope b and intercept a give threshold -a/b and requirement 1/b (Campbell
// et al. 1974, J. Appl. Ecol. 11:431).
func FromStageDurations(ds []StageDuration, lowerC *float64) (thresholdC, degreeDays float64, err error) {
	if len(ds) == 0 {
		return 0, 0, fmt.Errorf("durations must have at least one entry")
	}
	if len(ds) == 1 {
		if lowerC == nil {
			return 0, 0, fmt.Errorf("one duration needs an assumed lower_celsius; or give durations at two or more temperatures")
		}
		if ds[0].TemperatureC <= *lowerC {
			return 0, 0, fmt.Errorf("the duration at %v °C cannot be: nothing develops at or below lower_celsius %v", ds[0].TemperatureC, *lowerC)
		}
		return *lowerC, ds[0].Days * (ds[0].TemperatureC - *lowerC), nil
	}
	if lowerC != nil {
		return 0, 0, fmt.Errorf("durations at two or more temperatures give the threshold; leave lower_celsius out")
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
		return 0, 0, fmt.Errorf("durations must be at temperatures at least 2 °C apart to give a threshold")
	}
	slope := sxy / sxx
	if slope <= 0 {
		return 0, 0, fmt.Errorf("the stage must be shorter where it is warmer; check the durations, and leave out temperatures above the optimum")
	}
	thresholdC = meanT - meanR/slope
	if thresholdC < -10 || thresholdC > 25 {
		return 0, 0, fmt.Errorf("the durations give a lower threshold of %.1f °C, which no butterfly or moth has; check them", thresholdC)
	}
	return thresholdC, 1 / slope, nil
}

// Times that drying and damp may last when an entry states none: common
// practice, no published source.
const (
	defaultDryingAfter = 2 * time.Hour
	defaultDampAfter   = 12 * time.Hour
)

func (d limitsDoc) build() StageLimits {
	return StageLimits{
		Heat: d.heat.build(0), Chill: d.chill.build(0),
		Drying: d.drying.build(defaultDryingAfter), Damp: d.damp.build(defaultDampAfter),
		Injury: d.injury,
	}
}

func (d boundDoc) build(after time.Duration) *Bound {
	if d.value == nil {
		return nil
	}
	if d.after != nil {
		after = *d.after
	}
	return &Bound{Value: *d.value, After: after, Source: d.source, Assumed: d.assumed}
}

// defaultWindows are the delicate hours of each kind of stage. The lengths
// are common practice, no published source; verify on site.
func defaultWindows(id StageID) []Window {
	w := func(event string, before, after time.Duration, factor float64) Window {
		return Window{Event: event, Before: before, After: after, DryingFactor: factor,
			HeatMarginC: 1, Source: CommonPractice, Assumed: true}
	}
	switch event := EventName(id); event {
	case "hatching":
		return []Window{w(event, 12*time.Hour, 6*time.Hour, 0.75)}
	case "moult":
		return []Window{w(event, 24*time.Hour, 4*time.Hour, 0.75)}
	case "prepupa":
		return []Window{w(event, 0, 24*time.Hour, 0.75)}
	case "pupation":
		// Shedding the last larval skin takes about an hour; the new pupa is
		// soft for the rest of the day.
		return []Window{w(event, 2*time.Hour, 12*time.Hour, 0.7)}
	case "eclosion":
		// Emergence takes minutes, hardening of the wings several hours.
		return []Window{w(event, 6*time.Hour, 15*time.Minute, 0.7),
			w("wing hardening", 0, 6*time.Hour, 0.6)}
	}
	return nil
}

func defaultStageName(id StageID) string {
	var n int
	if _, err := fmt.Sscanf(string(id), "larva-%d", &n); err == nil {
		return fmt.Sprintf("instar %d", n)
	}
	return string(id)
}

// rateKey tells equal rate models apart from different ones.
func rateKey(s RateSpec) string {
	value := func(p *float64) string {
		if p == nil {
			return "-"
		}
		return fmt.Sprintf("%x", *p)
	}
	return fmt.Sprintf("%s|%s|%s|%s|%v", s.Model, value(s.LowerC), value(s.UpperC), s.Cutoff, s.Parameters)
}

func text(p *string) string {
	if p == nil {
		return ""
	}
	return *p
}
