package daemon

import (
	"encoding/json"
	"fmt"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/air"
	"rearguard/sensors/quality"
)

// silentFloor is the shortest silence that counts, whatever the habit.
const silentFloor = 5 * time.Minute

// habit is the sensor's reporting interval: configured, else learned, else
// not known yet (zero).
func (s *sensorState) habit() time.Duration {
	if s.config.Interval > 0 {
		return s.config.Interval
	}
	for _, series := range s.series {
		if series != nil {
			if learned, ok := learnedInterval(series.assess); ok {
				return learned
			}
		}
	}
	return 0
}

// staleAfter is how long a value of the sensor stands for the present air.
func (s *sensorState) staleAfter() time.Duration {
	interval := s.habit()
	if interval == 0 {
		interval = s.interval
	}
	return max(freshFactor*interval, silentFloor)
}

// present returns the newest value of a quantity while it is fresh and the
// sensor is not known to be gone. A value that stays suspect counts for harm, never for the centre.
func (s *sensorState) present(q sensors.Quantity, now time.Time) (sensors.Reading, bool) {
	series := s.series[q]
	if series == nil || series.newest.Time.IsZero() || !s.health.Gone.IsZero() || now.Sub(series.newest.Time) > s.staleAfter() {
		return sensors.Reading{}, false
	}
	r := series.newest
	if r.Flag.Usable() {
		return r, true
	}
	// One odd reading among good ones is a spike. What goes on to be odd is
	// reckoned with, for it may be true.
	if u := series.usable; now.Sub(u.Time) <= oddFor && !u.Time.IsZero() {
		return u, true
	}
	return r, r.Flag == sensors.Suspect
}

// oddFor is how long a suspect value is held back for the last good one.
const oddFor = 5 * time.Minute

// roomNow is the present air of a room.
type roomNow struct {
	warmest, coldest, driest, dampest, highestVPD *conditions.Point
	temperature, humidity                         *float64
	updated                                       time.Time
	usable                                        int
}

// airNow combines the fresh values of a room's sensors: the centre from those
// that can be trusted, the extremes also from those that are suspect.
func (r *roomState) airNow(now time.Time) roomNow {
	var n roomNow
	var temperatures, humidities []float64
	for _, s := range r.sensors {
		t, okT := s.present(sensors.Temperature, now)
		h, okH := s.present(sensors.RelativeHumidity, now)
		if okT {
			extreme(&n.warmest, s, t.Value, true)
			extreme(&n.coldest, s, t.Value, false)
			if t.Flag.Usable() {
				temperatures = append(temperatures, t.Value)
				n.usable++
				n.updated = later(n.updated, t.Time)
			}
		}
		if okH {
			extreme(&n.dampest, s, h.Value, true)
			extreme(&n.driest, s, h.Value, false)
			if h.Flag.Usable() {
				humidities = append(humidities, h.Value)
			}
		}
		if okT && okH {
			if vpd, err := air.VPDkPa(t.Value, min(h.Value, 100)); err == nil {
				extreme(&n.highestVPD, s, vpd, true)
			}
		}
	}
	if len(temperatures) > 0 {
		v := roomair.Median(temperatures)
		n.temperature = &v
	}
	if len(humidities) > 0 {
		v := roomair.Median(humidities)
		n.humidity = &v
	}
	return n
}

func extreme(p **conditions.Point, s *sensorState, value float64, high bool) {
	if *p == nil || (high && value > (*p).Value) || (!high && value < (*p).Value) {
		*p = &conditions.Point{Value: value, Sensor: s.config.ID, Position: s.config.Position}
	}
}

// emit puts the steps of alarms into the next commit, and the notices that
// follow from them.
func (c *core) emit(steps []alerts.Transition) error {
	for _, t := range steps {
		def, _ := c.machine.Definition(t.Key.Condition)
		c.out.Transitions = append(c.out.Transitions, records.AlarmTransition{
			Key: t.Key, Occurrence: t.Occurrence, Time: t.Time, From: t.From.String(), To: t.To.String(),
			Who: t.Who, Reason: t.Reason, Event: t.Event, Annunciate: t.Annunciate, Cleared: t.Cleared, Priority: def.Priority(),
		})
		c.watch.calls.note(t)
		if t.Annunciate {
			c.annunciations[annunciationKey{t.Key.Condition, def.Priority()}]++
		}
		if t.Annunciate || t.Cleared {
			rows, err := c.notices(t)
			if err != nil {
				return err
			}
			c.out.Outbox = append(c.out.Outbox, rows...)
		}
	}
	return nil
}

// changedAlarms are the rows of every alarm that changed since the last call.
func (c *core) changedAlarms() ([]records.AlarmRow, error) {
	changed := c.machine.TakeChanged()
	rows := make([]records.AlarmRow, 0, len(changed))
	for _, a := range changed {
		state, err := json.Marshal(a)
		if err != nil {
			return nil, fmt.Errorf("alarm %v: %w", a.Key, err)
		}
		def, _ := c.machine.Definition(a.Key.Condition)
		rows = append(rows, records.AlarmRow{
			Key: a.Key, Occurrence: a.Occurrence, Priority: def.Priority(), State: state, Active: a.Active,
			Closed:   a.State() == alerts.Normal,
			RaisedAt: a.RaisedAt, ClearedAt: a.ClearedAt, AcknowledgedAt: a.AckedAt, AcknowledgedBy: a.AckedBy,
		})
	}
	return rows, nil
}

// takeBatch takes what the next commit stores, nil if that is nothing.
func (c *core) takeBatch() (*records.Batch, error) {
	var err error
	if c.out.Alarms, err = c.changedAlarms(); err != nil {
		return nil, err
	}
	out := c.out
	if len(out.Readings)+len(out.Journal)+len(out.Alarms)+len(out.Transitions)+len(out.Outbox)+
		len(out.Cohorts)+len(out.Counts)+len(out.State) == 0 {
		return nil, nil
	}
	out.Clock = c.clock
	c.out = &records.Batch{}
	return out, nil
}

// learnedInterval is a series' usual time between readings, and false while
// too few were seen.
func learnedInterval(a *quality.Assessor) (time.Duration, bool) {
	seconds, seen := a.Interval()
	return time.Duration(seconds * float64(time.Second)), seen >= habitAfter
}

// habitAfter is how many intervals make a habit.
const habitAfter = 10
