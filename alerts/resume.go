package alerts

import (
	"time"

	"rearguard/sensors"
)

// Resume takes in that time went on from one instant at another without
// anything being observed between them: what was due before from has its
// effects, and what lies between is left out. At may be earlier than from.
//
// Passed says that the time between really passed, with nobody watching: the
// daemon was down. Running delays then stand still until something is found
// again, as for any stretch without data, and the grace of a consequence is
// waited out afterwards; a shelving or an acknowledgement ends by real time,
// and what ended meanwhile ends at at.
//
// Otherwise the clock was moved and no time passed: everything that is being
// waited out is moved with it, so that each wait lasts as long as it would
// have. So it is as well where at is earlier than from, for time never passes
// backwards; only that delays stand still if passed is set.
//
// What tells an occurrence from others and what people did, with its times,
// stays as it was.
func (m *Machine) Resume(from, at time.Time, passed bool) []Transition {
	out := m.Advance(from)
	// Never before what has been observed already.
	from = m.now
	by := at.Sub(from)
	m.now = at
	for _, a := range m.Memory() {
		if passed {
			a = a.hold(from)
		}
		if passed && by >= 0 {
			a.UnfoldAt = sensors.Moved(a.UnfoldAt, by)
			if !a.RepeatAt.IsZero() && a.RepeatAt.Before(at) {
				// However many repetitions were missed, one makes up for them.
				a.RepeatAt = at
			}
		} else {
			a = a.move(by)
		}
		m.put(a)
	}
	return append(out, m.Advance(at)...)
}

// hold keeps the alarm as it is from a time on, for want of data.
func (a Alarm) hold(from time.Time) Alarm {
	a.On, a.Off = a.On.pause(from), a.Off.pause(from)
	if a.UnknownSince.IsZero() {
		a.UnknownSince = from
	}
	return a
}

// move moves everything that is being waited out, and what it is reckoned
// from, with a clock that was moved.
func (a Alarm) move(by time.Duration) Alarm {
	a.On, a.Off = a.On.move(by), a.Off.move(by)
	a.ShelvedUntil, a.UnfoldAt = sensors.Moved(a.ShelvedUntil, by), sensors.Moved(a.UnfoldAt, by)
	if a.Acked {
		a.AckMoved += by
	}
	a.VainAt = sensors.Moved(a.VainAt, by)
	a.LastAnnunciated, a.RepeatAt, a.Due = sensors.Moved(a.LastAnnunciated, by), sensors.Moved(a.RepeatAt, by), sensors.Moved(a.Due, by)
	a.ObservedAt, a.FalseSince, a.UnknownSince = sensors.Moved(a.ObservedAt, by), sensors.Moved(a.FalseSince, by), sensors.Moved(a.UnknownSince, by)
	a.UpdatedAt = sensors.Moved(a.UpdatedAt, by)
	a.Detail, a.Want = a.Detail.Moved(by), a.Want.Moved(by)
	// A new slice, since copies of the alarm share the old one.
	times := make([]time.Time, len(a.Activations))
	for i, t := range a.Activations {
		times[i] = t.Add(by)
	}
	if len(times) > 0 {
		a.Activations = times
	}
	return a
}

func (d Delay) move(by time.Duration) Delay {
	d.Since, d.PausedAt = sensors.Moved(d.Since, by), sensors.Moved(d.PausedAt, by)
	return d
}
