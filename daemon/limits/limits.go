// Package limits finds the limits in force in a room: those of the cohorts in
// it, of the facility and of the room itself.
package limits

import (
	"fmt"
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/harm"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
)

// Set are the limits in force in a room. The strictest of the cohorts in the
// room sets them. Limits for the whole facility tighten them: of the two the
// stricter holds. A room's own limits take their place, to tighten or to
// loosen. All of them hold only while a cohort is in the room: the zero value
// is an empty room.
type Set struct {
	Conditions conditions.Limits
	// Heat are the cohorts whose heat injury is counted.
	Heat []conditions.HeatCohort
	// Views lists the limits for people.
	Views []View
}

// View is one limit in force in a room, and who set it.
type View struct {
	Condition alerts.Condition
	Value     float64
	Unit      string
	// SetBy is the cohort, room override or facility default that gives the
	// strictest value; Assumed is set when it has no published source.
	SetBy   string
	Assumed bool
	// After is how long the air may be beyond Value; 0 is not at all.
	After time.Duration
}

// Take takes what a cohort sets by its progress and its forecast, nil for none,
// as of a time.
func (set *Set) Take(id population.CohortID, sp *species.Species, live *population.Progress, ahead *forecast.Forecast, at time.Time) {
	for _, l := range forecast.LimitsFor(live, ahead, at) {
		set.Offer(id, l)
	}
	if h, ok := HeatOf(id, sp, live.Shares()); ok {
		set.Heat = append(set.Heat, h)
	}
}

// Offer takes a cohort's limit if it is stricter than what there is.
func (set *Set) Offer(cohort population.CohortID, l species.Limit) {
	by := fmt.Sprintf("cohort %s in %s", cohort, l.StageName)
	if l.Window != "" {
		by = fmt.Sprintf("cohort %s near %s", cohort, l.Window)
	}
	limit := conditions.Limit{Value: l.Value, SetBy: by, Assumed: l.Assumed}
	in := &set.Conditions
	switch l.Kind {
	case species.Heat:
		in.Heat = lower(in.Heat, limit)
	case species.Chill:
		in.Chill = higher(in.Chill, limit)
	case species.Drying:
		in.Drying = strictest(in.Drying, limit, l.After)
	case species.Damp:
		in.Damp = strictest(in.Damp, limit, l.After)
	}
}

// Close ends the offering: limits that no stage has a value for, those of the
// facility and those of the room are laid over what cohorts offered.
func (set *Set) Close(site, room facility.Limits) {
	set.always()
	set.tighten(site)
	set.replace(room)
	set.view()
}

// lower is the stricter of two upper limits, higher that of two lower ones.
func lower(have *conditions.Limit, limit conditions.Limit) *conditions.Limit {
	if have != nil && have.Value <= limit.Value {
		return have
	}
	return &limit
}

func higher(have *conditions.Limit, limit conditions.Limit) *conditions.Limit {
	if have != nil && have.Value >= limit.Value {
		return have
	}
	return &limit
}

func strictest(have *conditions.DoseLimit, limit conditions.Limit, after time.Duration) *conditions.DoseLimit {
	if have != nil && (have.Value < limit.Value || have.Value == limit.Value && have.For <= after) {
		return have
	}
	return &conditions.DoseLimit{Limit: limit, For: after}
}

// What holds in every occupied room unless the configuration says otherwise:
// common practice, no published source.
const (
	usualSwingC       = 12
	usualChangeC      = 8
	usualMouldPercent = 60
)

// always sets the limits that no stage has a value for.
func (set *Set) always() {
	usual := func(v float64) *conditions.Limit {
		return &conditions.Limit{Value: v, SetBy: "common practice", Assumed: true}
	}
	in := &set.Conditions
	in.DaySwing, in.FastChange, in.MouldRisk = usual(usualSwingC), usual(usualChangeC), usual(usualMouldPercent)
}

// tighten takes a limit of the facility where it is stricter.
func (set *Set) tighten(l facility.Limits) {
	const who = "the facility's limits in the configuration"
	by := func(v float64) conditions.Limit { return conditions.Limit{Value: v, SetBy: who} }
	in := &set.Conditions
	if v := l.HeatCelsius; v != nil {
		in.Heat = lower(in.Heat, by(*v))
	}
	if v := l.ChillCelsius; v != nil {
		in.Chill = higher(in.Chill, by(*v))
	}
	if v := l.DryingKilopascals; v != nil {
		in.Drying = strictest(in.Drying, by(*v), l.DryingAfter)
	}
	if v := l.DampPercent; v != nil {
		in.Damp = strictest(in.Damp, by(*v), l.DampAfter)
	}
	// These three have no stricter value of a cohort to give way to.
	set.shape(l, who)
}

// replace puts a room's own limits in place of all others.
func (set *Set) replace(l facility.Limits) {
	const who = "the room's own limits in the configuration"
	in := &set.Conditions
	put(&in.Heat, l.HeatCelsius, who)
	put(&in.Chill, l.ChillCelsius, who)
	if v := l.DryingKilopascals; v != nil {
		in.Drying = &conditions.DoseLimit{Limit: conditions.Limit{Value: *v, SetBy: who}, For: l.DryingAfter}
	}
	if v := l.DampPercent; v != nil {
		in.Damp = &conditions.DoseLimit{Limit: conditions.Limit{Value: *v, SetBy: who}, For: l.DampAfter}
	}
	set.shape(l, who)
}

func (set *Set) shape(l facility.Limits, by string) {
	in := &set.Conditions
	put(&in.DaySwing, l.DaySwingCelsius, by)
	put(&in.FastChange, l.FastChangeCelsiusPerHour, by)
	put(&in.MouldRisk, l.MouldPercent, by)
}

func put(to **conditions.Limit, v *float64, by string) {
	if v != nil {
		*to = &conditions.Limit{Value: *v, SetBy: by}
	}
}

// view lists the limits for people.
func (set *Set) view() {
	add := func(c alerts.Condition, l *conditions.Limit, unit string, after time.Duration) {
		if l != nil {
			set.Views = append(set.Views, View{Condition: c, Value: l.Value, Unit: unit, After: after, SetBy: l.SetBy, Assumed: l.Assumed})
		}
	}
	dose := func(c alerts.Condition, l *conditions.DoseLimit, unit string) {
		if l != nil {
			add(c, &l.Limit, unit, l.For)
		}
	}
	in := &set.Conditions
	add(conditions.Heat, in.Heat, "°C", 0)
	add(conditions.Chill, in.Chill, "°C", 0)
	dose(conditions.Drying, in.Drying, "kPa")
	dose(conditions.Damp, in.Damp, "%")
	add(conditions.DaySwing, in.DaySwing, "°C", 0)
	add(conditions.FastChange, in.FastChange, "°C/h", 0)
	add(conditions.MouldRisk, in.MouldRisk, "%", 0)
}

// An assumed thermal-death-time line, for stages of which none is published:
// lethal within two days at 3 °C above the stage's heat limit, ten times as
// fast for every 4.28 °C more, which is the z of codling moth larvae (Wang,
// Ikediala, Tang & Hansen 2002, J. Stored Prod. Res. 38:441), and nothing
// below 1 °C above the limit. To be verified on site.
const (
	assumedZC        = 4.28
	assumedLethalC   = 3.0
	assumedLethalMin = 2 * 24 * 60
	assumedBoundaryC = 1.0
)

// AssumedHeatLine is the thermal-death-time line taken for a stage with a heat
// limit in °C of which none is published.
func AssumedHeatLine(heatLimitC float64) harm.Line {
	return harm.Line{
		CTMaxC: heatLimitC + assumedLethalC + assumedZC*math.Log10(assumedLethalMin), ZC: assumedZC,
		BoundaryC: heatLimitC + assumedBoundaryC,
	}
}

// stageShareForHeat is the share of a cohort from which a stage's heat
// tolerance counts.
const stageShareForHeat = 0.05

// HeatOf is a cohort with the line of its weakest stage, and false where
// neither a line nor a heat limit is known.
func HeatOf(cohort population.CohortID, sp *species.Species, shares []population.Share) (conditions.HeatCohort, bool) {
	var found conditions.HeatCohort
	ok := false
	for _, share := range shares {
		i, known := sp.StageIndex(share.Stage)
		if !known || share.Share < stageShareForHeat {
			continue
		}
		stage := &sp.Stages[i]
		h := conditions.HeatCohort{ID: string(cohort), Stage: share.Name}
		switch {
		case stage.Limits.Injury != nil:
			l := stage.Limits.Injury
			h.Line, h.Assumed = harm.Line{CTMaxC: l.CTmaxC, ZC: l.ZC, BoundaryC: l.BoundaryC}, l.Assumed
		case stage.Limits.Heat != nil:
			h.Line, h.Assumed = AssumedHeatLine(stage.Limits.Heat.Value), true
		default:
			continue
		}
		if !ok || h.Line.CTMaxC < found.Line.CTMaxC {
			found, ok = h, true
		}
	}
	return found, ok
}
