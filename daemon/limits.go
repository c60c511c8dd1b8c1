package daemon

import (
	"fmt"
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/harm"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// limitSet are the limits in force in a room, for evaluation and for show.
type limitSet struct {
	conditions conditions.Limits
	// heat are the cohorts whose heat injury is counted.
	heat  []conditions.HeatCohort
	views []LimitView
}

// limitsEvery is the grid of event time on which progress and forecasts may
// change the limits; commands change them at once.
const limitsEvery = 10 * time.Minute

// limitsDue reports whether limits are brought up to date at an instant.
func (c *core) limitsDue(at time.Time) bool {
	return c.forecastDue(at) || at.Equal(at.Truncate(limitsEvery))
}

// refreshLimits brings live progress, forecasts and the limits of every room
// up to date. The strictest of the cohorts in a room sets its limits. Limits
// for the whole facility tighten them: of the two the stricter holds. A
// room's own limits take their place, to tighten or to loosen. All of them
// hold only while a cohort is in the room.
func (c *core) refreshLimits(at time.Time) error {
	if err := c.refreshAir(at); err != nil {
		return err
	}
	sets := make(map[sensors.RoomID]*limitSet, len(c.rooms))
	for _, s := range c.cohorts {
		if err := c.goLive(s); err != nil {
			return err
		}
		c.refreshForecast(s, at)
		room, ok := s.cohort.RoomAt(at)
		if !ok || c.roomBy[room] == nil {
			continue
		}
		set := sets[room]
		if set == nil {
			set = &limitSet{}
			sets[room] = set
		}
		for _, l := range s.live.LimitsFor(s.forecast.forecast, at) {
			set.offer(s, l)
		}
		if h, ok := heatCohort(s); ok {
			set.heat = append(set.heat, h)
		}
	}
	for _, r := range c.rooms {
		set := sets[r.config.ID]
		if set == nil {
			r.limits = limitSet{}
			continue
		}
		set.always()
		set.tighten(c.facility.Limits)
		set.replace(r.config.Limits)
		set.view()
		r.limits = *set
	}
	return nil
}

// offer takes a cohort's limit if it is stricter than what there is.
func (set *limitSet) offer(s *cohortState, l rearing.Limit) {
	by := fmt.Sprintf("cohort %s in %s", s.cohort.ID, l.StageName)
	if l.Window != "" {
		by = fmt.Sprintf("cohort %s near %s", s.cohort.ID, l.Window)
	}
	limit := conditions.Limit{Value: l.Value, SetBy: by, Assumed: l.Assumed}
	in := &set.conditions
	switch l.Kind {
	case rearing.Heat:
		in.Heat = lower(in.Heat, limit)
	case rearing.Chill:
		in.Chill = higher(in.Chill, limit)
	case rearing.Drying:
		in.Drying = strictest(in.Drying, limit, l.After)
	case rearing.Damp:
		in.Damp = strictest(in.Damp, limit, l.After)
	}
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
	houseSwingC       = 12
	houseChangeC      = 8
	houseMouldPercent = 60
)

// always sets the limits that no stage has a value for.
func (set *limitSet) always() {
	house := func(v float64) *conditions.Limit {
		return &conditions.Limit{Value: v, SetBy: "common practice", Assumed: true}
	}
	in := &set.conditions
	in.DaySwing, in.FastChange, in.MouldRisk = house(houseSwingC), house(houseChangeC), house(houseMouldPercent)
}

// tighten takes a limit of the facility where it is stricter.
func (set *limitSet) tighten(l facility.Limits) {
	by := func(v float64) conditions.Limit {
		return conditions.Limit{Value: v, SetBy: "the facility's limits in the configuration"}
	}
	in := &set.conditions
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
	set.shape(l, "the facility's limits in the configuration")
}

// replace puts a room's own limits in place of all others.
func (set *limitSet) replace(l facility.Limits) {
	const who = "the room's own limits in the configuration"
	by := func(v float64) conditions.Limit { return conditions.Limit{Value: v, SetBy: who} }
	in := &set.conditions
	if v := l.HeatCelsius; v != nil {
		limit := by(*v)
		in.Heat = &limit
	}
	if v := l.ChillCelsius; v != nil {
		limit := by(*v)
		in.Chill = &limit
	}
	if v := l.DryingKilopascals; v != nil {
		in.Drying = &conditions.DoseLimit{Limit: by(*v), For: l.DryingAfter}
	}
	if v := l.DampPercent; v != nil {
		in.Damp = &conditions.DoseLimit{Limit: by(*v), For: l.DampAfter}
	}
	set.shape(l, who)
}

func (set *limitSet) shape(l facility.Limits, by string) {
	in := &set.conditions
	put := func(to **conditions.Limit, v *float64) {
		if v != nil {
			*to = &conditions.Limit{Value: *v, SetBy: by}
		}
	}
	put(&in.DaySwing, l.DaySwingCelsius)
	put(&in.FastChange, l.FastChangeCelsiusPerHour)
	put(&in.MouldRisk, l.MouldPercent)
}

// view lists the limits for people.
func (set *limitSet) view() {
	add := func(c alerts.Condition, l *conditions.Limit, unit string, after time.Duration) {
		if l != nil {
			set.views = append(set.views, LimitView{Condition: c, Value: l.Value, Unit: unit, After: after, SetBy: l.SetBy, Assumed: l.Assumed})
		}
	}
	dose := func(c alerts.Condition, l *conditions.DoseLimit, unit string) {
		if l != nil {
			add(c, &l.Limit, unit, l.For)
		}
	}
	in := &set.conditions
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

func assumedLine(heatLimitC float64) harm.Line {
	return harm.Line{
		CTMaxC: heatLimitC + assumedLethalC + assumedZC*math.Log10(assumedLethalMin), ZC: assumedZC,
		BoundaryC: heatLimitC + assumedBoundaryC,
	}
}

// stageShareForHeat is the share of a cohort from which a stage's heat
// tolerance counts.
const stageShareForHeat = 0.05

// heatCohort is the cohort with the line of its weakest stage, and false where
// neither a line nor a heat limit is known.
func heatCohort(s *cohortState) (conditions.HeatCohort, bool) {
	var found conditions.HeatCohort
	ok := false
	for _, share := range s.live.Shares() {
		i, known := s.species.StageIndex(share.Stage)
		if !known || share.Share < stageShareForHeat {
			continue
		}
		stage := &s.species.Stages[i]
		h := conditions.HeatCohort{ID: string(s.cohort.ID), Name: fmt.Sprintf("%s in %s", s.cohort.ID, share.Name)}
		switch {
		case stage.Limits.Injury != nil:
			l := stage.Limits.Injury
			h.Line, h.Assumed = harm.Line{CTMaxC: l.CTmaxC, ZC: l.ZC, BoundaryC: l.BoundaryC}, l.Assumed
		case stage.Limits.Heat != nil:
			h.Line, h.Assumed = assumedLine(stage.Limits.Heat.Value), true
		default:
			continue
		}
		if !ok || h.Line.CTMaxC < found.Line.CTMaxC {
			found, ok = h, true
		}
	}
	return found, ok
}

// AssumedHeatLine is the thermal-death-time line taken for a stage with a heat
// limit in °C of which none is published.
func AssumedHeatLine(heatLimitC float64) harm.Line { return assumedLine(heatLimitC) }
