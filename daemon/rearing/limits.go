package rearing

import "time"

// LimitKind is what a limit guards against.
type LimitKind string

// The kinds of limits.
const (
	// Heat and Chill are temperatures in °C.
	Heat  LimitKind = "heat"
	Chill LimitKind = "chill"
	// Drying is a vapour pressure deficit in kPa that lasts.
	Drying LimitKind = "drying"
	// Damp is a relative humidity in percent that lasts.
	Damp LimitKind = "damp"
)

// Limit is one limit in force for a cohort, and what set it.
type Limit struct {
	Kind  LimitKind
	Value float64
	// Unit is "°C", "kPa" or "%".
	Unit string
	// After is how long the air may be beyond Value; 0 is not at all.
	After time.Duration
	// Stage set the limit; Window names the delicate window that tightened
	// it, for example "pupation", empty otherwise.
	Stage     StageID
	StageName string
	Window    string
	Source    string
	Assumed   bool
}

// minShareForLimits is the share of a cohort below which a stage sets no
// limits: stragglers do not rule a room.
const minShareForLimits = 0.05

// LimitsFor returns the strictest limits among the stages that more than 5 %
// of the cohort are in, tightened while the forecast has part of the cohort
// in a delicate window at the given time. Without a forecast (nil) nothing is
// tightened.
func (p *Progress) LimitsFor(f *Forecast, at time.Time) []Limit {
	strictest := map[LimitKind]Limit{}
	offer := func(l Limit, stricter bool) {
		if _, ok := strictest[l.Kind]; !ok || stricter {
			strictest[l.Kind] = l
		}
	}
	shares := p.shares()
	for s := range p.species.Stages {
		if shares[s] <= minShareForLimits {
			continue
		}
		st := &p.species.Stages[s]
		for _, l := range st.limits() {
			offer(l, l.stricter(strictest[l.Kind]))
		}
	}
	if f != nil {
		p.tighten(f, at, strictest)
	}
	var out []Limit
	for _, k := range []LimitKind{Heat, Chill, Drying, Damp} {
		if l, ok := strictest[k]; ok {
			out = append(out, l)
		}
	}
	return out
}

// tighten applies the tightest window open at the time.
func (p *Progress) tighten(f *Forecast, at time.Time, limits map[LimitKind]Limit) {
	heat, heatSet := limits[Heat]
	drying, dryingSet := limits[Drying]
	base := [2]Limit{heat, drying}
	for _, e := range f.Events {
		s, _ := p.species.StageIndex(e.Stage)
		st := &p.species.Stages[s]
		for _, w := range st.Delicate {
			if !e.open(w, at) {
				continue
			}
			note := func(l Limit) Limit {
				l.Stage, l.StageName, l.Window = st.ID, st.Name, w.Event
				l.Source += "; tightened: " + w.Source
				l.Assumed = l.Assumed || w.Assumed
				return l
			}
			if l := base[0]; heatSet && w.HeatMarginC > 0 && l.Value-w.HeatMarginC < limits[Heat].Value {
				l.Value -= w.HeatMarginC
				limits[Heat] = note(l)
			}
			if l := base[1]; dryingSet && w.DryingFactor < 1 && l.Value*w.DryingFactor < limits[Drying].Value {
				l.Value *= w.DryingFactor
				l.After = time.Duration(float64(l.After) * w.DryingFactor)
				limits[Drying] = note(l)
			}
		}
	}
}

// open reports whether the central 80 % of the cohort reach into the window.
func (e Event) open(w Window, at time.Time) bool {
	if e.Early.IsZero() || at.Before(e.Early.Add(-w.Before)) {
		return false
	}
	return e.Late.IsZero() || !at.After(e.Late.Add(w.After))
}

// limits lists the limits of a stage.
func (st *Stage) limits() []Limit {
	var ls []Limit
	add := func(k LimitKind, b *Bound, unit string) {
		if b != nil {
			ls = append(ls, Limit{Kind: k, Value: b.Value, Unit: unit, After: b.After, Stage: st.ID, StageName: st.Name,
				Source: b.Source, Assumed: b.Assumed})
		}
	}
	add(Heat, st.Limits.Heat, "°C")
	add(Chill, st.Limits.Chill, "°C")
	add(Drying, st.Limits.Drying, "kPa")
	add(Damp, st.Limits.Damp, "%")
	return ls
}

// stricter reports whether l leaves the air less room than other.
func (l Limit) stricter(other Limit) bool {
	switch {
	case l.Value == other.Value:
		return l.After < other.After
	case l.Kind == Chill:
		return l.Value > other.Value
	}
	return l.Value < other.Value
}
