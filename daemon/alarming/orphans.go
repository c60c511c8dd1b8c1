package alarming

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/wording"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// Whereabouts say what there is to find anything out about.
type Whereabouts struct {
	// Room reports whether a room is configured, Sensor gives a sensor, nil for
	// none.
	Room   func(sensors.RoomID) bool
	Sensor func(sensors.SensorID) *desk.Sensor
	// All yields the cohorts being reared, Live reports whether one of them is
	// watched.
	All  func(yield func(*population.Cohort, []population.Count) bool)
	Live func(population.CohortID) bool
}

// EndOrphans ends alarms about what is no longer there: a cohort that was moved
// or closed, a sensor or room that was taken out of the configuration. Nothing
// would ever be found about them again.
func (a *Alarms) EndOrphans(now time.Time, w Whereabouts) error {
	for _, one := range a.Remembered() {
		why := w.orphaned(one.Key, now)
		if why.IsZero() {
			continue
		}
		if err := a.Observe(alerts.Observation{Key: one.Key, Time: now, Truth: alerts.False, Detail: why}); err != nil {
			return err
		}
	}
	return nil
}

// orphaned says why nothing can be found about a key, and nothing if it can.
func (w *Whereabouts) orphaned(k alerts.Key, now time.Time) wording.Text {
	if k.Room != "" && !w.Room(k.Room) {
		return wording.Say("the room is no longer configured")
	}
	switch k.Condition {
	case conditions.SensorSilent, conditions.SensorFault:
		if k.Subject == "" {
			return wording.Text{}
		}
		if s := w.Sensor(sensors.SensorID(k.Subject)); s == nil || s.Config().Room == "" || s.Config().Room != k.Room {
			return wording.Say("the sensor is no longer in this room")
		}
	case conditions.CohortUnwatched, conditions.SpeciesLost:
		if w.cohort(k.Subject) == nil {
			return wording.Say("the cohort is closed")
		}
	case conditions.CohortOverdue, conditions.CohortStalled:
		c := w.cohort(k.Subject)
		if c == nil || !w.Live(c.ID) {
			return wording.Say("the cohort is closed")
		}
		if room, ok := c.RoomAt(now); !ok || room != k.Room {
			return wording.Say("the cohort is no longer in this room")
		}
	}
	return wording.Text{}
}

// cohort is one being reared, nil for none.
func (w *Whereabouts) cohort(id string) *population.Cohort {
	for c := range w.All {
		if string(c.ID) == id {
			return c
		}
	}
	return nil
}
