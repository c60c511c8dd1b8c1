package fold

import (
	"rearguard/alerts/conditions"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// allCohorts evaluates what is expected of the cohorts themselves.
func (w *watch) allCohorts() error {
	for _, c := range w.cohorts.list {
		room, ok := c.Cohort.RoomAt(w.clock)
		if !ok || w.rooms.by[room] == nil || c.Live() == nil {
			continue
		}
		if err := w.alarms.Observe(conditions.EvaluateCohort(w.cohortCondition(c, w.rooms.by[room]))...); err != nil {
			return err
		}
	}
	return w.endOrphans()
}

// lost evaluates what the configuration has lost of the cohorts.
func (w *watch) lost() error {
	i := 0
	for c := range w.cohorts.all {
		room, ok := c.RoomAt(w.clock)
		asleep := i >= len(w.cohorts.list)
		err := w.alarms.Observe(conditions.EvaluateLost(conditions.LostState{
			Cohort: string(c.ID), Species: string(c.Species), Room: room, Now: w.clock, RoomGone: ok && w.rooms.by[room] == nil,
			SpeciesGone: asleep || w.cohorts.list[i].Species == w.cohorts.lost[c.Species], Asleep: asleep,
		})...)
		if err != nil {
			return err
		}
		i++
	}
	return nil
}

// cohortCondition is what the conditions see of a cohort.
func (w *watch) cohortCondition(c *cohort, r *room) conditions.CohortState {
	in := c.Condition(c.forecast.Forecast)
	in.Room, in.Now, in.Location = r.config.ID, w.clock, w.facility.Site.Location
	c.still = c.still.Follow(w.clock, c.StandsStill(roomair.AirOf(r.sensors.Sensors, w.clock).TemperatureC))
	in.Still = c.still
	return in
}

// moveInjury takes a cohort's heat injury along when it is moved.
func (cs *cohorts) moveInjury(id population.CohortID, from, to sensors.RoomID) {
	if old, next := cs.rooms.find(from), cs.rooms.by[to]; old != nil && next != nil {
		old.memory, next.memory = old.memory.MoveInjury(next.memory, string(id))
	}
}

// heatInjury is the share of the lethal heat dose a cohort has gathered, nil
// while none is counted.
func (cs *cohorts) heatInjury(c *cohort) *float64 {
	room, ok := c.Cohort.RoomAt(cs.clock)
	if r := cs.rooms.by[room]; ok && r != nil {
		return r.memory.InjuryShare(string(c.Cohort.ID))
	}
	return nil
}
