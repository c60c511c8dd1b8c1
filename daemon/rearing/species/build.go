package species

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"rearguard/daemon/development"
	"rearguard/daemon/strict"
)

// build turns an entry into a species, or tells everything that is missing.
func (d speciesDoc) build() (*Species, strict.Faults) {
	sp := &Species{
		ID: d.ID, CommonName: d.CommonName, ScientificName: d.ScientificName,
		RearedFor: d.RearedFor, HostPlant: d.HostPlant, Note: d.Note,
	}
	switch {
	case d.fromLibrary && d.fromFacility:
		sp.Origin = OriginChanged
	case d.fromLibrary:
		sp.Origin = OriginLibrary
	default:
		sp.Origin = OriginFacility
	}
	if len(d.Stages) < 2 {
		return nil, strict.Faults{d.At.Fault(fmt.Sprintf("species %q needs at least two stages", d.ID), "add stages: with the last one adult")}
	}
	totals, ps := d.resolveTotals()
	if len(ps) > 0 {
		return nil, ps
	}
	if sp.ScientificName == "" && sp.CommonName == "" {
		ps = append(ps, d.At.Fault(fmt.Sprintf("species %q has no name", d.ID), "add scientific_name: or common_name:"))
	}
	sp.CommonName = cmp.Or(sp.CommonName, sp.ScientificName)
	last := d.Stages[len(d.Stages)-1]
	for i, sd := range d.Stages {
		if i > 0 && sd.ID.rank() <= d.Stages[i-1].ID.rank() {
			ps = append(ps, sd.At.Fault(fmt.Sprintf("stage %q must stand before %q", sd.ID, d.Stages[i-1].ID), "put the stages in order of development"))
		}
		st, faults := d.stage(sd)
		if i < len(d.Stages)-1 || sd.restates() {
			faults = append(faults, d.develop(sd, totals, &st)...)
		}
		ps = append(ps, faults...)
		sp.Stages = append(sp.Stages, st)
	}
	if last.ID != Adult {
		ps = append(ps, last.At.Fault(fmt.Sprintf("the last stage must be adult, not %q", last.ID), "add - id: adult at the end of the stages"))
	}
	for _, t := range totals {
		// Where a facility has replaced stages of the library, the rest of the
		// total's shares stand as they are.
		if d.fromLibrary && d.fromFacility {
			break
		}
		if t.shares < 0.999 || t.shares > 1.001 {
			ps = append(ps, t.At.Fault(fmt.Sprintf("the shares of the stages in total %q add up to %.4g", t.ID, t.shares), "they must add up to 1"))
		}
	}
	if len(ps) > 0 {
		return nil, ps
	}
	sp.RateSpread = publishedRateSpread
	if sp.Assumed() {
		sp.RateSpread = assumedRateSpread
	}
	if d.RateSpread != nil {
		sp.RateSpread = *d.RateSpread
	}
	return sp, nil
}

// total is a totalDoc with its constants worked out, and what stages took.
type total struct {
	totalDoc
	lowerC, degreeDays, shares float64
}

func (d speciesDoc) resolveTotals() ([]*total, strict.Faults) {
	var ps strict.Faults
	var all []*total
	for _, t := range d.Totals {
		r := &total{totalDoc: t}
		switch {
		case t.Durations != nil && t.Requirement == nil:
			var err error
			if r.lowerC, r.degreeDays, err = fromStageDurations(stageDurations(t.Durations), t.LowerC); err != nil {
				ps = append(ps, faultOf(t.At, fmt.Errorf("total %q: %w", t.ID, err)))
			}
			r.Method = cmp.Or(t.Method, FromDurations)
		case t.Requirement != nil && t.Durations == nil && t.LowerC != nil && t.Method != "":
			r.lowerC, r.degreeDays = *t.LowerC, *t.Requirement
		default:
			ps = append(ps, t.At.Fault(fmt.Sprintf("total %q has no constants", t.ID), "state either durations, or lower_celsius, requirement_degree_days and method"))
		}
		all = append(all, r)
	}
	return all, ps
}

// faultOf makes a fault of an error that says what is wrong, and what to do
// after a semicolon.
func faultOf(at strict.Place, err error) strict.Fault {
	problem, advice, _ := strings.Cut(err.Error(), "; ")
	return at.Fault(problem, advice)
}

// totalOf finds the total that a stage takes its share of.
func totalOf(sd stageDoc, totals []*total) (*total, error) {
	for _, t := range totals {
		if sd.ShareOf == "" && len(totals) == 1 || sd.ShareOf != "" && t.ID == sd.ShareOf {
			return t, nil
		}
	}
	if sd.ShareOf == "" {
		return nil, errors.New("share needs a total of the species; add share_of when there are several")
	}
	return nil, fmt.Errorf("share_of names the total %q, which the species does not have", sd.ShareOf)
}

// stage fills in what a stage is apart from its development.
func (d speciesDoc) stage(sd stageDoc) (Stage, strict.Faults) {
	st := Stage{
		ID: sd.ID, Name: cmp.Or(sd.Name, defaultStageName(sd.ID)), Distribution: cmp.Or(sd.Distribution, weibull),
		Survival: 1, durations: stageDurations(sd.Durations), Source: sd.Source, Method: sd.Method, Note: sd.Note,
		Limits:   buildLimits(slices.Concat(d.under, []*limitsDoc{d.Limits}, sd.under, []*limitsDoc{sd.Limits})),
		Delicate: defaultWindows(sd.ID),
	}
	if sd.Survival != nil {
		st.Survival = *sd.Survival
	}
	if sd.LengthMM != nil {
		st.LengthMM = BodyLength{TypicalMM: *sd.LengthMM, SDMM: *sd.LengthMM * 0.15}
		if sd.LengthSDMM != nil {
			st.LengthMM.SDMM = *sd.LengthSDMM
		}
	}
	if sd.Delicate != nil {
		st.Delicate = nil
	}
	for _, w := range sd.Delicate {
		w.Source, w.Assumed = sourceOf(w.Source, w.Assumed)
		w.DryingFactor = cmp.Or(w.DryingFactor, 1)
		st.Delicate = append(st.Delicate, Window(w))
	}
	if h, c := st.Limits.Heat, st.Limits.Chill; h != nil && c != nil && h.Value <= c.Value {
		return st, strict.Faults{sd.At.Fault(fmt.Sprintf("stage %q: heat limit %v °C must be above chill limit %v °C", sd.ID, h.Value, c.Value), "correct one of them")}
	}
	return st, nil
}

// develop fills in how animals develop through a stage.
func (d speciesDoc) develop(sd stageDoc, totals []*total, st *Stage) (ps strict.Faults) {
	fail := func(err error) { ps = append(ps, faultOf(sd.At, fmt.Errorf("stage %q: %w", sd.ID, err))) }
	if err := d.constants(sd, totals, st); err != nil {
		fail(err)
		return ps
	}
	st.Spread = publishedSpread
	if st.Assumed {
		st.Spread = assumedSpread
	}
	if sd.Spread != nil {
		st.Spread = *sd.Spread
	}
	if !(st.Spread >= 0 && st.Spread <= maxSpread) {
		fail(fmt.Errorf("spread %v is not from 0 to %v", st.Spread, maxSpread))
	}
	rate, err := newRate(st.Spec)
	if err != nil {
		fail(err)
		return ps
	}
	st.Rate = rate
	st.rateKey = rateKey(st.Spec)
	if st.Spec.Model == development.LinearModel {
		st.DegreeDays = rate
	} else if st.Spec.LowerC != nil {
		linear := RateSpec{Model: development.LinearModel, LowerC: st.Spec.LowerC, UpperC: st.Spec.UpperC, Cutoff: st.Spec.Cutoff}
		if st.DegreeDays, err = newRate(linear); err != nil {
			fail(err)
		}
	}
	return ps
}

func stageDurations(docs []durationDoc) []stageDuration {
	var out []stageDuration
	for _, d := range docs {
		out = append(out, stageDuration(d))
	}
	return out
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
