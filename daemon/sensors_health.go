package daemon

import (
	"bytes"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// sensorHealth is what the fold knows of the device behind the readings. It
// is a plain value, kept in checkpoints as it is.
type sensorHealth struct {
	Habit   quality.Habit        `json:"habit"`
	Clock   quality.Clock        `json:"clock"`
	Battery quality.BatteryWatch `json:"battery"`
	Flap    quality.Flap         `json:"flap"`
	// Gone is since when the sensor has said, or its broker in its place, that
	// it is not there; zero while it is.
	Gone time.Time `json:"gone,omitzero"`
	// Announced is set once the sensor has said whether it is there.
	Announced bool `json:"announced,omitempty"`
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
func (h *sensorHealth) observe(p *pendingReading) {
	r := &p.Reading
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
	if !p.sensor.ownTime || !r.Time.After(h.OwnTime) {
		return
	}
	// Readings that come faster than they were taken were kept somewhere, and
	// their delay says nothing about the sensor's clock.
	if h.OwnTime.IsZero() || r.Arrival.Sub(h.Arrived) >= r.Time.Sub(h.OwnTime)/2 {
		h.Clock.Observe(r.Time, r.Arrival)
	}
	h.OwnTime, h.Arrived = r.Time, r.Arrival
}

// silentAfter is how long the sensor may be silent: by its configured interval,
// or against its own habit.
func (s *sensorState) silentAfter() time.Duration {
	if s.config.Interval > 0 {
		return s.staleAfter()
	}
	return s.health.Habit.SilentAfter()
}

// silent reports whether the sensor is late against its habit, or known to be
// gone.
func (s *sensorState) silent(now time.Time) bool {
	return s.told.IsZero() || !s.health.Gone.IsZero() || now.Sub(s.told) > s.silentAfter()
}

// watchHealth notices sensors that come and go. While nothing can arrive
// nobody has left.
func (c *core) watchHealth(at time.Time) {
	if !at.Equal(at.Truncate(healthEvery)) || !c.link.Subscribed {
		return
	}
	listening := later(c.link.Since, c.resumed)
	for _, s := range c.sensors {
		if s.health.Flap.Up && s.silent(at) && at.Sub(listening) > s.silentAfter() {
			s.health.Flap.Leave(at)
		}
	}
}

// findings are what is wrong with the device.
func (h *sensorHealth) findings(now time.Time) []quality.Finding {
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

// presenceNote is a sensor's word on its presence, on its way into the
// journal.
type presenceNote struct {
	sensor *sensorState
	here   bool
	at     time.Time
}

// watcher is a sensor that says on a topic whether it is there.
type watcher struct {
	sensor          *sensorState
	online, offline []byte
}

// notePresence takes a message of an availability topic.
func (c *core) notePresence(watchers []watcher, m sensors.Message, arrival time.Time) {
	body := bytes.TrimSpace(m.Payload)
	for _, w := range watchers {
		switch {
		case bytes.Equal(body, w.online):
			c.presences = append(c.presences, presenceNote{w.sensor, true, arrival})
		case bytes.Equal(body, w.offline):
			c.presences = append(c.presences, presenceNote{w.sensor, false, arrival})
		case len(body) > 0:
			c.reject(m, arrival, outcomeUndecodable, "neither the sensor's online nor its offline; correct availability in the configuration")
		}
	}
}

// journalPresences puts changes of presence into the journal, behind the
// readings they came with. A sensor that has spoken since is there.
func (c *core) journalPresences() error {
	notes := c.presences
	c.presences = c.presences[:0]
	for _, n := range notes {
		h := &n.sensor.health
		if !n.here && n.sensor.heard.After(n.at) {
			continue
		}
		if h.Announced && h.Gone.IsZero() == n.here {
			continue
		}
		if err := c.journal(presenceEvent{n.sensor.config.ID, n.here}); err != nil {
			return err
		}
	}
	return nil
}

// present carries out a presence event. What a sensor that is gone said last
// is no longer the air of its place.
func (c *core) present(v presenceEvent, arrival time.Time) error {
	s := c.byID[v.Sensor]
	if s == nil {
		return nil // no longer in the configuration
	}
	s.health.Announced = true
	if v.Here {
		s.health.Flap.Arrive()
		s.health.Gone = time.Time{}
		return nil
	}
	s.health.Flap.Leave(arrival)
	s.health.Gone = arrival
	s.silence(sensors.Missing)
	if s.room == nil {
		return nil
	}
	return c.watchRoom(s.room)
}

// silence takes the newest values of a sensor out of the present air.
func (s *sensorState) silence(flag sensors.Flag) {
	for _, series := range s.series {
		if series != nil && !series.newest.Time.IsZero() {
			series.newest.Flag, series.usable = flag, sensors.Reading{}
		}
	}
}

// listen notes what a decoder learned from a message beside its values: the
// sensor's presence, and what must be asked of it.
func (c *core) listen(in *input, m sensors.Message, arrival time.Time) {
	if p, ok := in.decoder.(payload.Presencer); ok {
		if now := p.Presence(); now != in.presence {
			in.presence = now
			if now != payload.Unknown {
				c.presences = append(c.presences, presenceNote{in.sensor, now == payload.Here, arrival})
			}
		}
	}
	if converser, ok := in.decoder.(payload.Converser); ok && c.link.Subscribed {
		c.requests = append(c.requests, converser.Requests(m.Received)...)
	}
}

// converse asks what decoders have to ask, as time passes.
func (c *core) converse(now time.Time) {
	if !c.link.Subscribed {
		return
	}
	for _, in := range c.conversers {
		c.requests = append(c.requests, in.decoder.(payload.Converser).Requests(now)...) //nolint:errcheck // only such are in the list
	}
}

// missed tells decoders that messages may have been lost.
func (c *core) missed() {
	for _, in := range c.conversers {
		in.decoder.(payload.Converser).Missed() //nolint:errcheck // only such are in the list
	}
}

// takeRequests returns what is to be published to sensors.
func (c *core) takeRequests() []payload.Request {
	requests := c.requests
	c.requests = nil
	return requests
}
