package desk

import (
	"time"

	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// health is what is known of the device behind the readings. It is a plain
// value, kept in State as it is.
type health struct {
	Habit   quality.Habit        `json:"habit"`
	Clock   quality.Clock        `json:"clock"`
	Battery quality.BatteryWatch `json:"battery"`
	Flap    quality.Flap         `json:"flap"`
	// Gone is since when the sensor has said, or its broker in its place, that
	// it is not there; zero while it is.
	Gone time.Time `json:"gone,omitzero"`
	// Announced is set once the sensor has said whether it is there.
	Announced bool `json:"announced,omitempty"`
	// Vouched is when it last said that it is there.
	Vouched time.Time `json:"vouched,omitzero"`
	// OwnTime and Arrived are those of the newest reading with a time of its
	// own.
	OwnTime time.Time `json:"own_time,omitzero"`
	Arrived time.Time `json:"arrived,omitzero"`
}

// skewLimit is how far a sensor's own clock may be off before it is said;
// common practice, no published source.
const skewLimit = 2 * time.Minute

// healthEvery is the grid on which silence is looked at for sensors that come
// and go.
const healthEvery = 5 * time.Minute

// observe learns from a reading. The readings of one message share their time
// and teach once.
func (s *Sensor) observe(p *arrived) {
	h, r := &s.health, &p.Reading
	if !h.Gone.IsZero() && r.Arrival.After(h.Gone) {
		// It speaks, so it is there: a late last will was about an earlier
		// connection.
		h.Gone = time.Time{}
	}
	if p.late {
		return
	}
	if r.Quantity == sensors.Battery {
		h.Battery.Observe(r.Time, r.Value)
	}
	h.Habit.Observe(r.Time)
	h.Flap.Arrive()
	if !s.ownTime || !r.Time.After(h.OwnTime) {
		return
	}
	// Readings that come faster than they were taken were kept somewhere, and
	// their delay says nothing about the sensor's clock.
	if h.OwnTime.IsZero() || r.Arrival.Sub(h.Arrived) >= r.Time.Sub(h.OwnTime)/2 {
		h.Clock.Observe(r.Time, r.Arrival)
	}
	h.OwnTime, h.Arrived = r.Time, r.Arrival
}

// SilentAfter is how long the sensor may be silent: by its configured
// interval, or against its own habit.
func (s *Sensor) SilentAfter() time.Duration {
	if s.config.Interval > 0 || s.config.OnChange {
		return s.StaleAfter()
	}
	return s.health.Habit.SilentAfter()
}

// Silent reports whether the sensor is late against its habit, or known to be
// gone.
func (s *Sensor) Silent(now time.Time) bool {
	return s.told.IsZero() || !s.health.Gone.IsZero() || now.Sub(s.Spoke()) > s.SilentAfter()
}

// NoteSilence notices, on a grid of its own, sensors that come and go.
// Listening is since when messages can have arrived; while nothing can arrive
// nobody has left.
func (d *Desk) NoteSilence(at, listening time.Time) {
	if !at.Equal(at.Truncate(healthEvery)) || !d.subscribed {
		return
	}
	for _, s := range d.sensors {
		if s.health.Flap.Up && s.Silent(at) && at.Sub(listening) > s.SilentAfter() {
			s.health.Flap.Leave(at)
		}
	}
}

// findings are what is wrong with the device.
func (h *health) findings(now time.Time) []quality.Finding {
	var out []quality.Finding
	if f, bad := h.Battery.Check(now); bad {
		out = append(out, f)
	}
	if f, bad := h.Clock.Check(now, skewLimit); bad {
		out = append(out, f)
	}
	if f, bad := h.Flap.Check(now); bad {
		out = append(out, f)
	}
	return out
}
