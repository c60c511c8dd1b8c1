package desk

import (
	"bytes"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// Presence is a sensor's word, or its broker's in its place, on whether it is
// there.
type Presence struct {
	Sensor sensors.SensorID
	Here   bool
}

// Presences are the words of sensors that nobody has been told yet.
type Presences struct{ words []word }

// word is what a sensor said of its presence, and when.
type word struct {
	sensor *Sensor
	here   bool
	at     time.Time
}

// hear takes a message of a topic on which sensors say that they are there.
func (p *Presences) hear(watchers []watcher, m sensors.Message, arrival time.Time, in *Intake) {
	body := bytes.TrimSpace(m.Payload)
	for _, w := range watchers {
		switch {
		case bytes.Equal(body, w.online):
			p.words = append(p.words, word{w.sensor, true, arrival})
		case bytes.Equal(body, w.offline):
			p.words = append(p.words, word{w.sensor, false, arrival})
		case len(body) > 0:
			in.reject(m, arrival, Undecodable, "neither the sensor's online nor its offline; correct availability in the configuration")
		}
	}
}

// Take returns the changes of presence since the last call, as far as they are
// news: a sensor that has spoken since is there. Those that the caller believes
// come back through SetPresence, before the next is asked for.
func (p *Presences) Take(each func(Presence) error) error {
	words := p.words
	p.words = p.words[:0]
	for _, w := range words {
		s := w.sensor
		if !w.here && s.heard.After(w.at) {
			continue
		}
		if s.health.Announced && s.health.Gone.IsZero() == w.here && !s.vouches(w) {
			continue
		}
		if err := each(Presence{s.config.ID, w.here}); err != nil {
			return err
		}
	}
	return nil
}

// GoneSince is since when the sensor has said, or its broker in its place, that
// it is gone; zero when it is not.
func (s *Sensor) GoneSince() time.Time { return s.health.Gone }

// SetPresence carries out a change of presence. What a sensor that is gone
// said last is no longer the air of its place. It returns the sensor, nil for
// one that is no longer configured.
func (d *Desk) SetPresence(id sensors.SensorID, here bool, arrival time.Time) *Sensor {
	s := d.byID[id]
	if s == nil {
		return nil
	}
	s.health.Announced = true
	if here {
		s.health.Flap.Arrive()
		s.health.Gone, s.health.Vouched = time.Time{}, arrival
		return s
	}
	s.health.Flap.Leave(arrival)
	s.health.Gone = arrival
	s.withhold(sensors.Missing)
	return s
}

// listen notes what a decoder learned from a message beside its values: the
// sensor's presence, and what must be asked of it.
func (d *Desk) listen(in *input, m sensors.Message, arrival time.Time) {
	if p, ok := in.decoder.(payload.Presencer); ok {
		now := p.Presence()
		news := now != in.presence || in.sensor.config.OnChange && now == payload.Here
		in.presence = now
		if news && now != payload.Unknown {
			d.Presences.words = append(d.Presences.words, word{in.sensor, now == payload.Here, arrival})
		}
	}
	if converser, ok := in.decoder.(payload.Converser); ok && d.subscribed {
		d.requests = append(d.requests, converser.Requests(m.Received)...)
	}
}

// Converse asks what decoders have to ask, as time passes.
func (d *Desk) Converse(now time.Time) {
	if !d.subscribed {
		return
	}
	for _, c := range d.routes.conversers {
		d.requests = append(d.requests, c.Requests(now)...)
	}
}
