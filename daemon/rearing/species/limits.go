package species

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
	// Stage set the limit; Window is the delicate window that tightened it,
	// empty otherwise.
	Stage     StageID
	StageName string
	Window    EventName
	Source    string
	Assumed   bool
}

// AirLimits lists the limits of a stage that no forecast has tightened.
func (st *Stage) AirLimits() []Limit {
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

// Stricter reports whether l leaves the air less room than other.
func (l Limit) Stricter(other Limit) bool {
	switch {
	case l.Value == other.Value:
		return l.After < other.After
	case l.Kind == Chill:
		return l.Value > other.Value
	}
	return l.Value < other.Value
}

// StageLimits are the air limits of a stage. A nil pointer is no limit.
type StageLimits struct {
	// Heat and Chill bound the temperature in °C.
	Heat, Chill *Bound
	// Drying is the vapour pressure deficit in kPa that does harm when it
	// lasts.
	Drying *Bound
	// Damp is the relative humidity in percent that favours mould and
	// disease when it lasts.
	Damp *Bound
	// Injury is the thermal-death-time line, where one is known.
	Injury *HeatInjury
}

// Bound is one limit with its source.
type Bound struct {
	Value float64
	// After is how long the air may be beyond Value before it does harm; 0
	// for heat and chill.
	After   time.Duration
	Source  string
	Assumed bool
}

// HeatInjury is a thermal-death-time line: log10 of the minutes to failure is
// (CTmaxC - T)/ZC, for temperatures above BoundaryC (Rezende et al. 2014,
// Funct. Ecol. 28:799; Jørgensen et al. 2021, Sci. Rep. 11:12840).
type HeatInjury struct {
	CTmaxC, ZC, BoundaryC float64
	Source                string
	Assumed               bool
}
