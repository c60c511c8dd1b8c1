package daemon

import (
	"fmt"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// limitSet are the limits in force in a room, for evaluation and for show.
type limitSet struct {
	conditions conditions.Limits
	views      []LimitView
}

// refreshLimits brings live progress, forecasts and the limits of every room
// up to date. A room's limits are the strictest of the cohorts in it; a limit
// set for the room in the configuration replaces them, and applies only while
// somebody lives there.
func (c *core) refreshLimits(at time.Time) error {
	for _, s := range c.cohorts {
		if err := c.goLive(s); err != nil {
			return err
		}
	}
	if err := c.refreshAir(at); err != nil {
		return err
	}
	sets := make(map[sensors.RoomID]*limitSet, len(c.rooms))
	for _, s := range c.cohorts {
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
	}
	for _, r := range c.rooms {
		set := sets[r.config.ID]
		if set == nil {
			r.limits = limitSet{}
			continue
		}
		set.override(r.config)
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
		if in.Heat == nil || limit.Value < in.Heat.Value {
			in.Heat = &limit
		}
	case rearing.Chill:
		if in.Chill == nil || limit.Value > in.Chill.Value {
			in.Chill = &limit
		}
	case rearing.Drying:
		in.Drying = strictest(in.Drying, limit, l.After)
	case rearing.Damp:
		in.Damp = strictest(in.Damp, limit, l.After)
	}
}

func strictest(have *conditions.DoseLimit, limit conditions.Limit, after time.Duration) *conditions.DoseLimit {
	if have != nil && (have.Value < limit.Value || have.Value == limit.Value && have.For <= after) {
		return have
	}
	return &conditions.DoseLimit{Limit: limit, For: after}
}

// override puts the room's own limits in place of the cohorts'.
func (set *limitSet) override(room *facility.Room) {
	const by = "the configuration of the room"
	l, in := room.Limits, &set.conditions
	if l.HeatCelsius != nil {
		in.Heat = &conditions.Limit{Value: *l.HeatCelsius, SetBy: by}
	}
	if l.ChillCelsius != nil {
		in.Chill = &conditions.Limit{Value: *l.ChillCelsius, SetBy: by}
	}
	if l.DryingKilopascals != nil {
		in.Drying = &conditions.DoseLimit{Limit: conditions.Limit{Value: *l.DryingKilopascals, SetBy: by}, For: l.DryingAfter}
	}
	if l.DampPercent != nil {
		in.Damp = &conditions.DoseLimit{Limit: conditions.Limit{Value: *l.DampPercent, SetBy: by}, For: l.DampAfter}
	}
}

// view lists the limits for people.
func (set *limitSet) view() {
	add := func(c alerts.Condition, l *conditions.Limit, unit string) {
		if l != nil {
			set.views = append(set.views, LimitView{Condition: c, Value: l.Value, Unit: unit, SetBy: l.SetBy, Assumed: l.Assumed})
		}
	}
	dose := func(c alerts.Condition, l *conditions.DoseLimit, unit string) {
		if l != nil {
			add(c, &l.Limit, unit)
		}
	}
	add(conditions.Heat, set.conditions.Heat, "°C")
	add(conditions.Chill, set.conditions.Chill, "°C")
	dose(conditions.Drying, set.conditions.Drying, "kPa")
	dose(conditions.Damp, set.conditions.Damp, "%")
}
