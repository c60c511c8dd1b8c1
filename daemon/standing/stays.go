// Package standing is what the records know of the configurations there have
// been: which one was in force, which sensor measured which room when, and what
// a newer configuration no longer has although animals, or history, stand on it.
// The past is judged by what held then.
package standing

import (
	"maps"
	"slices"
	"time"

	"rearguard/daemon/facility"
	"rearguard/sensors"
)

// Stay says that a sensor measured the air of a room from From on and before
// Until. A zero From is from the beginning of history, a zero Until for as long
// as the configuration has it there.
type Stay struct {
	Sensor sensors.SensorID `json:"sensor"`
	Room   sensors.RoomID   `json:"room"`
	From   time.Time        `json:"from,omitzero"`
	Until  time.Time        `json:"until,omitzero"`
	// Fresh is how long one of its readings counted in the room.
	Fresh time.Duration `json:"fresh,omitempty"`
}

// Stays are those of all sensors that did not always measure the room in which
// the configuration has them now. A sensor without any was always there.
type Stays []Stay

// After are the stays once one list of sensors has taken the place of another,
// at a time. Fresh tells how long readings of a sensor counted until then.
func (s Stays) After(before, after []facility.Sensor, fresh func(sensors.SensorID) time.Duration, at time.Time) Stays {
	was, is := roomsOf(before), roomsOf(after)
	next := slices.Clone(s)
	for _, id := range slices.Sorted(maps.Keys(was)) {
		if is[id] != was[id] {
			next = next.end(id, was[id], at, fresh(id))
		}
	}
	for _, id := range slices.Sorted(maps.Keys(is)) {
		if is[id] != was[id] {
			next = next.begin(id, is[id], at)
		}
	}
	return next
}

// roomsOf are the rooms that sensors measure; those that are retired measure
// none any more.
func roomsOf(list []facility.Sensor) map[sensors.SensorID]sensors.RoomID {
	in := make(map[sensors.SensorID]sensors.RoomID, len(list))
	for i := range list {
		if list[i].Room != "" && !list[i].Retired {
			in[list[i].ID] = list[i].Room
		}
	}
	return in
}

func (s Stays) end(id sensors.SensorID, room sensors.RoomID, at time.Time, fresh time.Duration) Stays {
	for i := range s {
		if s[i].Sensor == id && s[i].Until.IsZero() {
			s[i].Until, s[i].Fresh = at, fresh
			return s
		}
	}
	return append(s, Stay{Sensor: id, Room: room, Until: at, Fresh: fresh})
}

func (s Stays) begin(id sensors.SensorID, room sensors.RoomID, at time.Time) Stays {
	last := -1
	for i := range s {
		if s[i].Sensor == id {
			last = i
		}
	}
	switch {
	case last < 0:
		// A sensor that nothing was known of: what it says of the time before
		// is about this room as well.
		return s
	case s[last].Room == room:
		// It was away by a slip of the pen, or for repair.
		s[last].Until = time.Time{}
		return s
	}
	return append(s, Stay{Sensor: id, Room: room, From: at})
}

// RoomAt is the room whose air a sensor measured at a time, empty for none. It
// is not known of sensors that were always where the configuration has them.
func (s Stays) RoomAt(id sensors.SensorID, t time.Time) (room sensors.RoomID, known bool) {
	for _, one := range s {
		if one.Sensor != id {
			continue
		}
		known = true
		if !t.Before(one.From) && (one.Until.IsZero() || t.Before(one.Until)) {
			return one.Room, true
		}
	}
	return "", known
}

// Left reports whether a sensor ceased to measure a room after one time and not
// after another.
func (s Stays) Left(id sensors.SensorID, room sensors.RoomID, after, upTo time.Time) bool {
	return slices.ContainsFunc(s, func(one Stay) bool {
		return one.Sensor == id && one.Room == room && !one.Until.IsZero() && one.Until.After(after) && !one.Until.After(upTo)
	})
}

// In are the sensors that measure a room now, and those that once did.
func (s Stays) In(room sensors.RoomID, now []sensors.SensorID) []sensors.SensorID {
	for _, one := range s {
		if one.Room == room && !slices.Contains(now, one.Sensor) {
			now = append(now, one.Sensor)
		}
	}
	return now
}

// Only passes on the readings that were taken in a room.
func (s Stays) Only(room sensors.RoomID, yield func(sensors.Reading)) func(sensors.Reading) bool {
	return func(r sensors.Reading) bool {
		if stood, known := s.RoomAt(r.Sensor, r.Time); !known || stood == room {
			yield(r)
		}
		return true
	}
}

// Fresh is how long a reading of a sensor that is gone counted.
func (s Stays) Fresh(id sensors.SensorID) (time.Duration, bool) {
	for _, one := range slices.Backward(s) {
		if one.Sensor == id && one.Fresh > 0 {
			return one.Fresh, true
		}
	}
	return 0, false
}
