package facility

import (
	"slices"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// Desk is the sensor in the terms of the desk. Room is the one it measures,
// nil for none; the days of its climate are those of zone.
func (s *Sensor) Desk(room *Room, zone *time.Location) desk.Config {
	c := desk.Config{
		ID: s.ID, Room: s.Room, Place: s.Place, Position: s.Position, HeightM: s.HeightM,
		Replaces: s.Replaces, Retired: s.Retired, OnChange: s.Reports == OnChange, Interval: s.Interval, Inputs: make([]payload.Spec, len(s.Inputs)),
	}
	for i, in := range s.Inputs {
		c.Inputs[i] = in.Spec()
	}
	if a := s.Availability; a != nil {
		c.Announces = &desk.Announcement{Topic: a.Topic, Online: a.Online, Offline: a.Offline}
	}
	if room != nil {
		c.Climate = func(q sensors.Quantity) []quality.Climate { return room.Expected(q, zone) }
	}
	return c
}

// Without is the facility without some sensors, and these by id. It shares
// everything else with f.
func (f *Facility) Without(ids map[sensors.SensorID]bool) (*Facility, map[sensors.SensorID]*Sensor) {
	left := make(map[sensors.SensorID]*Sensor)
	kept := *f
	kept.Sensors = slices.Clone(f.Sensors)
	for i := range f.Sensors {
		if s := &f.Sensors[i]; ids[s.ID] {
			left[s.ID] = s
		}
	}
	kept.Sensors = slices.DeleteFunc(kept.Sensors, func(s Sensor) bool { return ids[s.ID] })
	return &kept, left
}

// Desk is one of its sensors as the desk wants it.
func (f *Facility) Desk(s *Sensor) desk.Config {
	for i := range f.Rooms {
		if s.Room != "" && f.Rooms[i].ID == s.Room {
			return s.Desk(&f.Rooms[i], f.Site.Location)
		}
	}
	return s.Desk(nil, f.Site.Location)
}

// RoomIDs are the ids of its rooms, in their order.
func (f *Facility) RoomIDs() []sensors.RoomID {
	ids := make([]sensors.RoomID, len(f.Rooms))
	for i := range ids {
		ids[i] = f.Rooms[i].ID
	}
	return ids
}

// With is the facility with a sensor, which takes the place of one with its
// id.
func (f *Facility) With(s *Sensor) *Facility {
	next, _ := f.Without(map[sensors.SensorID]bool{s.ID: true})
	next.Sensors = append(next.Sensors, *s)
	return next
}
