package fold

import (
	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify/letter"
	"rearguard/daemon/alarming"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/desk"
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
			SpeciesGone: asleep || w.cohorts.list[i].Species == w.cohorts.Lost[c.Species], Asleep: asleep,
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

// endOrphans ends alarms about what is no longer there.
func (w *watch) endOrphans() error {
	return w.alarms.EndOrphans(w.clock, alarming.Whereabouts{
		Room:   func(id sensors.RoomID) bool { return w.rooms.by[id] != nil },
		Sensor: func(id sensors.SensorID) *desk.Sensor { return w.desk.Sensor(id) },
		All:    w.cohorts.all,
		Live: func(id population.CohortID) bool {
			_, err := w.cohorts.find(id)
			return err == nil
		},
	})
}

// atRisk are the cohorts that an alarm is about.
func (w *watch) atRisk(k alerts.Key) (ids []population.CohortID) {
	for c := range w.cohorts.all {
		if room, _ := c.RoomAt(w.clock); conditions.Threatens(k, room, string(c.ID)) {
			ids = append(ids, c.ID)
		}
	}
	return ids
}

// threatened are those cohorts for whoever is told of it.
func (w *watch) threatened(k alerts.Key) (list []letter.Cohort) {
	for _, id := range w.atRisk(k) {
		if c, err := w.cohorts.find(id); err == nil && c.Live() != nil {
			list = append(list, c.AtRisk(c.forecast.Forecast, w.clock))
		}
	}
	return list
}
