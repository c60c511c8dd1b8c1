package desk

import (
	"fmt"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// sight is what a sensor's own clock was last seen to say.
type sight struct {
	Own     time.Time `json:"own"`
	Arrived time.Time `json:"arrived"`
	// Steady is set while own time passes as time does: the readings are
	// delivered as they are taken, and not out of some store.
	Steady bool `json:"steady,omitempty"`
}

// see takes in a message's own time and its arrival.
func (g *sight) see(own, arrival time.Time) {
	if own.Equal(g.Own) {
		return
	}
	pace, passed := own.Sub(g.Own), arrival.Sub(g.Arrived)
	g.Steady = !g.Own.IsZero() && pace > 0 && (passed-pace).Abs() <= min(2*time.Second+pace/4, time.Minute)
	g.Own, g.Arrived = own, arrival
}

// ahead is by how much the sensor's clock is ahead.
func (g *sight) ahead() time.Duration { return g.Own.Sub(g.Arrived) }

// Sights are by how much the clocks of sensors are ahead: of those that stamp
// their readings and are heard.
func (d *Desk) Sights(now time.Time) []time.Duration {
	var list []time.Duration
	for _, s := range d.sensors {
		if s.clock.sight.Steady && now.Sub(s.clock.sight.Arrived) <= s.StaleAfter() {
			list = append(list, s.clock.sight.ahead())
		}
	}
	return list
}

// aheadAtMost is how far ahead of a doubted clock a reading may be that came
// out of some store: as long as the program may have been down.
const aheadAtMost = 7 * 24 * time.Hour

// placed is the time of a reading with a time of its own while the clock is
// doubted, zero for that of its arrival. Nobody knows which of the two is
// wrong. What is delivered as it is taken is of now; what comes out of some
// store, or waited at the broker, is of its own time, unless that cannot be.
func (s *Sensor) placed(own, arrival time.Time, waited bool, ageLimit time.Duration) time.Time {
	ahead := own.Sub(arrival)
	if s.clock.sight.Steady && !waited && ahead.Abs() > skewLimit || ahead > aheadAtMost || ahead < -ageLimit {
		return time.Time{}
	}
	return own
}

// OwnClock is a change of what is wrong with a sensor's own clock: Fault says
// so, empty once its readings can be taken again.
type OwnClock struct {
	Sensor sensors.SensorID `json:"sensor"`
	Fault  string           `json:"fault,omitempty"`
}

// clockQuiet is how long no reading may have been refused for its time before
// the sensor's clock counts as right again.
const clockQuiet = 5 * time.Minute

// clockWatch is what is known of a sensor's own clock.
type clockWatch struct {
	sight sight
	// fault says what is wrong with it since when, empty for nothing; news is a
	// change of it that was not told yet.
	fault string
	since time.Time
	news  *string
	// refused is when a reading was last refused for its time.
	refused time.Time
}

// OwnClocks are the sensors whose own clock went wrong or came right, while
// nobody has been told yet.
type OwnClocks struct {
	changed []*Sensor
	// doubted is set while the clock by which messages arrive is doubted.
	doubted bool
}

// Doubt notes whether the clock by which messages arrive is doubted.
func (c *OwnClocks) Doubt(now bool) { c.doubted = now }

// tell queues a change.
func (c *OwnClocks) tell(s *Sensor, fault string) {
	if s.clock.news == nil {
		c.changed = append(c.changed, s)
	}
	s.clock.news = &fault
}

// noteRefused takes in that a reading was refused for its time. An old one may
// come out of some store, and says nothing about the clock.
func (c *OwnClocks) noteRefused(s *Sensor, ahead time.Duration, arrival time.Time) {
	if ahead < 0 && !s.clock.sight.Steady {
		return
	}
	s.clock.refused = arrival
	if s.clock.fault != "" || s.clock.news != nil {
		return
	}
	side := "ahead"
	if ahead < 0 {
		side = "behind"
	}
	c.tell(s, fmt.Sprintf("clock is %s %s and its readings cannot be placed: set the clock of the sensor or its gateway", about(ahead.Abs()), side))
}

// noteTaken takes in that a reading has a time that can be.
func (c *OwnClocks) noteTaken(s *Sensor, arrival time.Time) {
	if s.clock.fault != "" && s.clock.news == nil && arrival.Sub(s.clock.refused) >= clockQuiet {
		c.tell(s, "")
	}
}

// Take returns the changes since the last call. Those that the caller believes
// come back through SetOwnClock.
func (c *OwnClocks) Take(each func(OwnClock) error) error {
	list := c.changed
	c.changed = nil
	for _, s := range list {
		news := *s.clock.news
		s.clock.news = nil
		if err := each(OwnClock{s.config.ID, news}); err != nil {
			return err
		}
	}
	return nil
}

// SetOwnClock carries out a change, and returns the sensor, nil for one that is
// no longer configured.
func (d *Desk) SetOwnClock(c OwnClock, at time.Time) *Sensor {
	s := d.byID[c.Sensor]
	if s != nil {
		s.clock.fault, s.clock.since = c.Fault, at
	}
	return s
}

// about is a time in the largest unit that tells it.
func about(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// Step takes in that the clock by which messages arrive was moved from one time
// to another, earlier or later. What was stamped with that clock is moved along,
// so that nothing ages by it; what has a time of its own stays, unless it lies
// ahead now.
func (d *Desk) Step(from, to time.Time) {
	by := to.Sub(from)
	for _, s := range d.sensors {
		s.step(by, to)
	}
	for _, r := range d.rooms {
		for _, n := range r.neighbours {
			n.Rewind(to)
		}
	}
	d.unclaimed.Move(by)
	d.deaf = sensors.Moved(d.deaf, by)
	if by >= 0 {
		return
	}
	d.taken = Later(d.taken, from.Add(d.rules.FutureTolerance))
	d.swaps = nil
	if next, err := d.calibrations.Rewound(to); err == nil {
		d.calibrations = next
	}
}

func (s *Sensor) step(by time.Duration, to time.Time) {
	h := &s.health
	s.clock.sight.Arrived = sensors.Moved(s.clock.sight.Arrived, by)
	s.undated.Since = sensors.Moved(s.undated.Since, by)
	s.clock.refused, s.clock.since = sensors.Moved(s.clock.refused, by), sensors.Moved(s.clock.since, by)
	s.joined = sensors.Moved(s.joined, by)
	s.heard, h.Gone, h.Vouched, h.Arrived = sensors.Moved(s.heard, by), sensors.Moved(h.Gone, by), sensors.Moved(h.Vouched, by), sensors.Moved(h.Arrived, by)
	h.Flap.Move(by)
	h.Battery.Rewind(to)
	h.Clock = quality.Clock{}
	if !s.ownTime {
		s.told = sensors.Moved(s.told, by)
		h.Habit.Move(by)
	} else if s.told.After(to) {
		s.told, h.OwnTime = to, time.Time{}
		h.Habit.Newest = min(h.Habit.Newest, to.UnixMilli())
	}
	for _, one := range s.series {
		if one != nil {
			one.step(s.ownTime, by, to)
		}
	}
	if b := s.bench; b != nil {
		b.Move(by)
	}
}

func (s *series) step(ownTime bool, by time.Duration, to time.Time) {
	for _, r := range []*sensors.Reading{&s.newest, &s.usable} {
		r.Arrival = sensors.Moved(r.Arrival, by)
		switch {
		case !ownTime:
			r.Time = sensors.Moved(r.Time, by)
		case r.Time.After(to):
			*r = sensors.Reading{}
		}
	}
	if !ownTime {
		s.flagged = sensors.Moved(s.flagged, by)
	}
	for _, t := range []*time.Time{&s.admitted, &s.flagged} {
		if t.After(to) {
			*t = to
		}
	}
	if by < 0 {
		s.findings, s.amended = nil, nil
		s.assess.Rewind(to)
	}
}
