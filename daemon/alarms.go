package daemon

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
	"rearguard/sensors/air"
)

// watchState is what the fold keeps for alarms beside the alarms themselves
// and the memory of each room.
type watchState struct {
	rules *conditions.Evaluator
	// pressurePa is the air pressure at the facility's altitude.
	pressurePa float64
	// outdoorAt is when outdoorC was worked out.
	outdoorAt time.Time
	outdoorC  *float64
	// grid is how much event time passes between full evaluations.
	grid time.Duration

	// still says since when a cohort has not developed.
	still map[rearing.CohortID]time.Time
	// house is how rearguard's own parts stand.
	house houseEvent
	// limits is the configuration of limits last seen, nil before the first.
	limits  map[string]string
	changes []LimitChange
	calls   callTotals
}

// watchCheckpoint is the part of a checkpoint that alarms need.
type watchCheckpoint struct {
	Still   map[rearing.CohortID]time.Time `json:"still,omitempty"`
	House   houseEvent                     `json:"house,omitzero"`
	Limits  map[string]string              `json:"limits,omitempty"`
	Changes []LimitChange                  `json:"changes,omitempty"`
	Calls   callTotals                     `json:"calls,omitzero"`
}

func newWatchState(definitions []alerts.Definition, f *facility.Facility) (watchState, error) {
	pressure, err := air.PressureAtAltitude(f.Site.AltitudeM)
	if err != nil {
		return watchState{}, err
	}
	return watchState{
		rules: conditions.NewEvaluator(definitions), pressurePa: pressure, grid: tickEvery,
		still: make(map[rearing.CohortID]time.Time),
	}, nil
}

func (w *watchState) checkpoint() watchCheckpoint {
	return watchCheckpoint{Still: w.still, House: w.house, Limits: w.limits, Changes: w.changes, Calls: w.calls}
}

func (w *watchState) load(cp watchCheckpoint) {
	if cp.Still != nil {
		w.still = cp.Still
	}
	w.house, w.limits, w.changes, w.calls = cp.House, cp.Limits, cp.Changes, cp.Calls
}

// outdoorC is the temperature outdoors, nil where no sensor tells. It is the
// same for all rooms of an instant.
func (c *core) outdoorC() *float64 {
	if c.watch.outdoorAt.Equal(c.clock) {
		return c.watch.outdoorC
	}
	c.watch.outdoorAt, c.watch.outdoorC = c.clock, nil
	for _, s := range c.sensors {
		if s.config.Place != sensors.Outdoor {
			continue
		}
		if r, ok := s.present(sensors.Temperature, c.clock); ok && r.Flag.Usable() {
			v := r.Value
			c.watch.outdoorC = &v
			break
		}
	}
	return c.watch.outdoorC
}

// listening reports whether some sensor of a room has not had the time since
// rearguard began to listen in which it should have reported.
func (c *core) listening(r *roomState) bool {
	heard := c.clock.Sub(c.resumed)
	for _, s := range r.sensors {
		if heard < s.staleAfter() {
			return true
		}
	}
	return false
}

// observe gives a finding to the alarms.
func (c *core) observe(o alerts.Observation) error { return c.emit(c.machine.Observe(o)) }

// endOrphans ends alarms about what is no longer there: a cohort that was
// moved or closed, a sensor or room that was taken out of the configuration.
// Nothing would ever be found about them again.
func (c *core) endOrphans() error {
	for _, a := range c.machine.Memory() {
		why := c.orphaned(a.Key)
		if why == "" {
			continue
		}
		if err := c.observe(alerts.Observation{Key: a.Key, Time: c.clock, Truth: alerts.False, Detail: why}); err != nil {
			return err
		}
	}
	return nil
}

// orphaned says why nothing can be found about a key, empty if it can.
func (c *core) orphaned(k alerts.Key) string {
	if k.Room != "" && c.roomBy[k.Room] == nil {
		return "the room is no longer configured"
	}
	switch k.Condition {
	case conditions.SensorSilent, conditions.SensorFault:
		if k.Subject == "" {
			return ""
		}
		if s := c.byID[sensors.SensorID(k.Subject)]; s == nil || s.room == nil || s.room.config.ID != k.Room {
			return "the sensor is no longer in this room"
		}
	case conditions.CohortOverdue, conditions.CohortStalled:
		s, err := c.cohort(rearing.CohortID(k.Subject))
		if err != nil {
			return "the cohort is closed"
		}
		if room, ok := s.cohort.RoomAt(c.clock); !ok || room != k.Room {
			return "the cohort is no longer in this room"
		}
	}
	return ""
}

// atRisk are the cohorts that an alarm is about: the one it names, or all of
// its room for what is wrong with the air there.
func (c *core) atRisk(k alerts.Key) []rearing.CohortID {
	if k.Room == "" || k.Condition == conditions.SensorSilent || k.Condition == conditions.SensorFault {
		return nil
	}
	var ids []rearing.CohortID
	for _, s := range c.cohorts {
		room, ok := s.cohort.RoomAt(c.clock)
		if ok && room == k.Room && (k.Subject == "" || k.Subject == string(s.cohort.ID)) {
			ids = append(ids, s.cohort.ID)
		}
	}
	return ids
}
