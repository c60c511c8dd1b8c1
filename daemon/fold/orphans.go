package fold

import (
	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

// endOrphans ends alarms about what is no longer there: a cohort that was
// moved or closed, a sensor or room that was taken out of the configuration.
// Nothing would ever be found about them again.
func (w *watch) endOrphans() error {
	for _, a := range w.alarms.Remembered() {
		why := w.orphaned(a.Key)
		if why == "" {
			continue
		}
		if err := w.alarms.Observe(alerts.Observation{Key: a.Key, Time: w.clock, Truth: alerts.False, Detail: why}); err != nil {
			return err
		}
	}
	return nil
}

// orphaned says why nothing can be found about a key, empty if it can.
func (w *watch) orphaned(k alerts.Key) string {
	if k.Room != "" && w.rooms.by[k.Room] == nil {
		return "the room is no longer configured"
	}
	switch k.Condition {
	case conditions.SensorSilent, conditions.SensorFault:
		if k.Subject == "" {
			return ""
		}
		if s := w.desk.Sensor(sensors.SensorID(k.Subject)); s == nil || s.Config().Room == "" || s.Config().Room != k.Room {
			return "the sensor is no longer in this room"
		}
	case conditions.CohortUnwatched, conditions.SpeciesLost:
		for c := range w.cohorts.all {
			if string(c.ID) == k.Subject {
				return ""
			}
		}
		return "the cohort is closed"
	case conditions.CohortOverdue, conditions.CohortStalled:
		c, err := w.cohorts.find(population.CohortID(k.Subject))
		if err != nil {
			return "the cohort is closed"
		}
		if room, ok := c.Cohort.RoomAt(w.clock); !ok || room != k.Room {
			return "the cohort is no longer in this room"
		}
	}
	return ""
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
