package desk

import (
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/quality"
)

// quantities bounds arrays indexed by sensors.Quantity.
const quantities = int(sensors.SignalStrength) + 1

// Sensor is what is known of one sensor.
type Sensor struct {
	config Config
	room   *Room
	desk   *Desk
	series [quantities]*series
	// inputs are its topics; none of a retired sensor.
	inputs []*input
	// heard is the arrival of the newest message, told the newest event time.
	heard, told time.Time
	// joined is when a changed configuration brought it in, zero for always.
	joined time.Time
	// ownTime is set when its messages can carry a time of their own, stamps
	// when its configuration says where, so that all of them do.
	ownTime, stamps bool
	health          health
	clock           clockWatch
	// undated are the readings of unknown age since the last whose age is known.
	undated undated
	// bench is set while the sensor is on the calibration bench.
	bench *calibration.Session
}

// undated counts readings of unknown age.
type undated struct {
	Count int       `json:"count"`
	Since time.Time `json:"since,omitzero"`
}

func (u *undated) note(arrival time.Time) {
	if u.Count == 0 {
		u.Since = arrival
	}
	u.Count++
}

// fault says what they mean, empty for none.
func (u *undated) fault() string {
	if u.Count == 0 {
		return ""
	}
	return "newest messages waited at the broker for nobody knows how long, and count for nothing; none has come since"
}

// series is one quantity of one sensor.
type series struct {
	key    sensors.Series
	newest sensors.Reading
	// usable is the newest reading that may feed room air.
	usable sensors.Reading
	// admitted is the newest event time admitted, also while still waiting.
	admitted time.Time
	assess   *quality.Assessor
	// neighbours is the comparison of its room, nil for none.
	neighbours *quality.Neighbours
	// findings are the complaints about the newest reading, flagged is since
	// when none was usable, amended the last spike found after the fact.
	findings []quality.Finding
	flagged  time.Time
	amended  *quality.Amendment
}

// defaultInterval is assumed for a sensor whose reporting interval is neither
// configured nor learned yet.
const defaultInterval = 20 * time.Minute

// freshFactor is how many intervals a reading stands for the air of its place.
const freshFactor = 3

// silentFloor is the shortest silence that counts, whatever the habit.
const silentFloor = 5 * time.Minute

// habitAfter is how many intervals make a habit.
const habitAfter = 10

// oddFor is how long a suspect value is held back for the last good one.
const oddFor = 5 * time.Minute

// DefaultFresh is how long a reading of an unknown sensor counts.
const DefaultFresh = freshFactor * defaultInterval

// Config is the sensor's configuration. It must not be changed.
func (s *Sensor) Config() *Config { return &s.config }

// Claimed notes that the sensor is listened to from now on. It was noticed on
// the broker a moment ago, though not as a sensor.
func (s *Sensor) Claimed(at time.Time) { s.told, s.joined = at, at }

// ExpectedSince is from when the sensor can have been heard by a program that
// listens since a time.
func (s *Sensor) ExpectedSince(listening time.Time) time.Time { return Later(s.joined, listening) }

// OnBench reports whether the sensor is on the calibration bench.
func (s *Sensor) OnBench() bool { return s.bench != nil }

// Fresh is how long a reading of the sensor counts for a room's curve: by
// its configuration alone, so that a curve is the same whenever it is drawn.
func (s *Sensor) Fresh() time.Duration {
	if s.config.OnChange {
		return s.StaleAfter()
	}
	if s.config.Interval == 0 {
		return DefaultFresh
	}
	return freshFactor * s.config.Interval
}

// Habit is the sensor's reporting interval: configured, else learned, else
// not known yet (zero).
func (s *Sensor) Habit() time.Duration {
	if s.config.OnChange {
		return s.longest() / freshFactor
	}
	if s.config.Interval > 0 {
		return s.config.Interval
	}
	for _, one := range s.series {
		if one != nil {
			if seconds, seen := one.assess.Interval(); seen >= habitAfter {
				return time.Duration(seconds * float64(time.Second))
			}
		}
	}
	return 0
}

// StaleAfter is how long a value of the sensor stands for the present air.
func (s *Sensor) StaleAfter() time.Duration {
	interval := s.Habit()
	if interval == 0 {
		interval = defaultInterval
	}
	return max(freshFactor*interval, silentFloor)
}

// Current returns the newest value of a quantity while it is fresh and the
// sensor is not known to be gone. A value that stays suspect counts for harm,
// never for the centre.
func (s *Sensor) Current(q sensors.Quantity, now time.Time) (sensors.Reading, bool) {
	one := s.series[q]
	if one == nil || one.newest.Time.IsZero() || !s.health.Gone.IsZero() || !s.fresh(one.newest.Time, now) {
		return sensors.Reading{}, false
	}
	r := one.newest
	if r.Flag.Usable() {
		return r, true
	}
	// One odd reading among good ones is a spike. What goes on to be odd is
	// reckoned with, for it may be true.
	if u := one.usable; now.Sub(u.Time) <= oddFor && !u.Time.IsZero() {
		return u, true
	}
	return r, r.Flag == sensors.Suspect
}

// Newest returns the newest reading of a quantity, however old, and false
// before the first.
func (s *Sensor) Newest(q sensors.Quantity) (sensors.Reading, bool) {
	one := s.series[q]
	if one == nil || one.newest.Time.IsZero() {
		return sensors.Reading{}, false
	}
	return one.newest, true
}

// Fault says what is wrong with the readings of the sensor, empty if nothing.
func (s *Sensor) Fault(now time.Time) string {
	if s.clock.fault != "" {
		return s.clock.fault
	}
	if missing := s.missing(); missing != "" {
		return missing
	}
	if waited := s.undated.fault(); waited != "" {
		return waited
	}
	for _, one := range s.series {
		if one == nil || one.newest.Time.IsZero() || !s.fresh(one.newest.Time, now) {
			continue
		}
		switch one.newest.Flag {
		case sensors.Suspect:
			return one.key.Quantity.String() + " is hard to believe"
		case sensors.Fail:
			return one.key.Quantity.String() + " cannot be right"
		}
	}
	return ""
}

// FaultUnknown reports whether it cannot be told any more if the air that the
// sensor measures is at fault: what was at fault is not heard.
func (s *Sensor) FaultUnknown(now time.Time) bool {
	for _, q := range [...]sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity} {
		one := s.series[q]
		if one == nil || one.newest.Time.IsZero() {
			continue
		}
		bad := one.newest.Flag == sensors.Suspect || one.newest.Flag == sensors.Fail
		if !s.health.Gone.IsZero() || bad && !s.fresh(one.newest.Time, now) {
			return true
		}
	}
	return false
}

// lag is how long after its own time the newest temperature arrived, and
// false for a sensor that stamps none or is silent.
func (s *Sensor) lag(now time.Time) (time.Duration, bool) {
	t := s.series[sensors.Temperature]
	if !s.ownTime || t == nil || t.newest.Time.IsZero() || now.Sub(t.newest.Arrival) > s.StaleAfter() {
		return 0, false
	}
	lag := t.newest.Arrival.Sub(t.newest.Time)
	// A message of the others that carries none has that of its arrival.
	return lag, s.stamps || lag != 0
}

// ClockOffset is by how much this machine's clock is ahead of the clocks of
// the sensors that stamp their readings, nil while none is heard. One sensor
// that agrees shows that the others are wrong, or late; only when all of them
// are off to one side is it this machine, and then by the least of them.
func (d *Desk) ClockOffset(now time.Time) *time.Duration {
	var least, most time.Duration
	heard := false
	for _, s := range d.sensors {
		lag, ok := s.lag(now)
		if !ok {
			continue
		}
		if !heard {
			least, most, heard = lag, lag, true
		}
		least, most = min(least, lag), max(most, lag)
	}
	offset := time.Duration(0)
	switch {
	case !heard:
		return nil
	case least > 0:
		offset = least
	case most < 0:
		offset = most
	}
	return &offset
}

// OutdoorC is the temperature outdoors in °C, nil where no sensor tells.
func (d *Desk) OutdoorC(now time.Time) *float64 {
	for _, s := range d.sensors {
		if s.config.Place != sensors.Outdoor {
			continue
		}
		if r, ok := s.Current(sensors.Temperature, now); ok && r.Flag.Usable() {
			return &r.Value
		}
	}
	return nil
}

// withhold takes the newest values of a sensor out of the present air.
func (s *Sensor) withhold(flag sensors.Flag) {
	for _, one := range s.series {
		if one != nil && !one.newest.Time.IsZero() {
			one.newest.Flag, one.usable = flag, sensors.Reading{}
		}
	}
}

// interrupt makes every series of a sensor begin its comparisons anew.
func (s *Sensor) interrupt() {
	for _, one := range s.series {
		if one != nil {
			one.assess.Interrupt()
			one.findings, one.flagged = nil, time.Time{}
		}
	}
}

// newestAdmitted is the newest event time of a series, taken or waiting.
func (s *series) newestAdmitted() time.Time { return Later(s.admitted, s.newest.Time) }

// Later is the later of two times.
func Later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Earlier is the earlier of two times.
func Earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
