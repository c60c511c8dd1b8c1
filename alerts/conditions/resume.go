package conditions

import (
	"maps"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/sensors"
)

// Resume takes in that time went on from one instant at another without
// anything being seen between them; see alerts.Machine. What time that really
// passed did to the animals is not known: no dose is counted for it, and none
// falls back. A clock that was moved moves what is remembered with it.
func (m RoomMemory) Resume(from, at time.Time, passed bool) RoomMemory {
	by := at.Sub(from)
	if passed {
		m.Drying.Truth, m.Damp.Truth, m.Mould.Known = alerts.Unknown, alerts.Unknown, false
		// What has been told for a while has been told for as long as it was seen.
		m.Trouble.ToldAt = sensors.Moved(m.Trouble.ToldAt, by)
	}
	if passed && by >= 0 {
		return m
	}
	m.Drying, m.Damp, m.Mould.At = m.Drying.move(by), m.Damp.move(by), sensors.Moved(m.Mould.At, by)
	m.Trend = m.Trend.Move(by)
	m.Trouble.Since = sensors.Moved(m.Trouble.Since, by)
	if !passed {
		m.Trouble.ToldAt = sensors.Moved(m.Trouble.ToldAt, by)
	}
	// Copies, never changes in place: older memories share the maps.
	m.Witnesses = maps.Clone(m.Witnesses)
	for c, list := range m.Witnesses {
		list = slices.Clone(list)
		for i := range list {
			list[i].At = sensors.Moved(list[i].At, by)
		}
		m.Witnesses[c] = list
	}
	m.Injuries = maps.Clone(m.Injuries)
	for id, x := range m.Injuries {
		x.At = sensors.Moved(x.At, by)
		if passed {
			x.At = time.Time{}
		}
		m.Injuries[id] = x
	}
	return m
}

func (x Exposure) move(by time.Duration) Exposure {
	x.At, x.Since, x.UnseenSince = sensors.Moved(x.At, by), sensors.Moved(x.Since, by), sensors.Moved(x.UnseenSince, by)
	return x
}
