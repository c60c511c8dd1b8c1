package fold

import (
	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/wording"
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

// endOrphans ends alarms about what is no longer there: a cohort that was
// moved or closed, a sensor or room that was taken out of the configuration.
// Nothing would ever be found about them again.
func (w *watch) endOrphans() error {
	for _, a := range w.alarms.Remembered() {
		why := w.orphaned(a.Key)
		if why.IsZero() {
			continue
		}
		if err := w.alarms.Observe(alerts.Observation{Key: a.Key, Time: w.clock, Truth: alerts.False, Detail: why}); err != nil {
			return err
		}
	}
	return nil
}

// orphaned says why nothing can be found about a key, which is empty if it can.
func (w *watch) orphaned(k alerts.Key) wording.Text {
	if k.Room != "" && w.rooms.by[k.Room] == nil {
		return wording.Say("the room is no longer configured")
	}
	switch k.Condition {
	case conditions.SensorSilent, conditions.SensorFault:
		if k.Subject == "" {
			return wording.Text{}
		}
		if s := w.desk.Sensor(sensors.SensorID(k.Subject)); s == nil || s.Config().Room == "" || s.Config().Room != k.Room {
			return wording.Say("the sensor is no longer in this room")
		}
	case conditions.CohortUnwatched, conditions.SpeciesLost:
		for c := range w.cohorts.all {
			if string(c.ID) == k.Subject {
				return wording.Text{}
			}
		}
		return wording.Say("the cohort is closed")
	case conditions.CohortOverdue, conditions.CohortStalled:
		c, err := w.cohorts.find(population.CohortID(k.Subject))
		if err != nil {
			return wording.Say("the cohort is closed")
		}
		if room, ok := c.Cohort.RoomAt(w.clock); !ok || room != k.Room {
			return wording.Say("the cohort is no longer in this room")
		}
	}
	return wording.Text{}
}

// atRisk are the cohorts that an alarm is about: the one it names, or all of
// its room for what is wrong with the air there.
func (w *watch) atRisk(k alerts.Key) []population.CohortID {
	if k.Condition == conditions.CohortUnwatched || k.Condition == conditions.SpeciesLost {
		return []population.CohortID{population.CohortID(k.Subject)}
	}
	if k.Room == "" || k.Condition == conditions.SensorSilent || k.Condition == conditions.SensorFault {
		return nil
	}
	var ids []population.CohortID
	for _, c := range w.cohorts.in(k.Room, w.clock) {
		if k.Subject == "" || k.Subject == string(c.Cohort.ID) {
			ids = append(ids, c.Cohort.ID)
		}
	}
	return ids
}
