package snapshot

import (
	"slices"
	"strings"

	"rearguard/alerts"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// find returns the element of a list that is meant, nil if there is none.
func find[T any](list []T, meant func(*T) bool) *T {
	for i := range list {
		if meant(&list[i]) {
			return &list[i]
		}
	}
	return nil
}

// Room returns a room by its id, nil if there is none.
func (s *Snapshot) Room(id sensors.RoomID) *Room {
	return find(s.Rooms, func(r *Room) bool { return r.ID == id })
}

// RoomName is the name of a room for people: its id if it has no other.
func (s *Snapshot) RoomName(id sensors.RoomID) string {
	if r := s.Room(id); r != nil && r.Name != "" {
		return r.Name
	}
	return string(id)
}

// Cohort returns a cohort being reared by its id, nil if there is none.
func (s *Snapshot) Cohort(id population.CohortID) *Cohort {
	return find(s.Cohorts, func(c *Cohort) bool { return c.ID == id })
}

// Sensor returns a sensor that is listened to by its id, nil if there is none.
func (s *Snapshot) Sensor(id sensors.SensorID) *desk.View {
	return find(s.Sensors, func(v *desk.View) bool { return v.ID == id })
}

// AnySensor returns a sensor by its id, retired ones included, nil if there
// never was one.
func (s *Snapshot) AnySensor(id sensors.SensorID) *desk.View {
	if v := s.Sensor(id); v != nil {
		return v
	}
	return find(s.Retired, func(v *desk.View) bool { return v.ID == id })
}

// Alarm returns an alarm that is not normal by its key, nil if there is none.
func (s *Snapshot) Alarm(key alerts.Key) *Alarm {
	return find(s.Alarms, func(a *Alarm) bool { return a.Key == key })
}

// SpeciesOf returns a species that a cohort can be entered for, nil if there
// is none.
func (s *Snapshot) SpeciesOf(id species.ID) *Species {
	return find(s.Species, func(sp *Species) bool { return sp.ID == id })
}

// UnclaimedTopic returns a topic that no sensor claims, nil if it was not
// seen.
func (s *Snapshot) UnclaimedTopic(topic string) *desk.UnclaimedTopic {
	return find(s.Unclaimed, func(u *desk.UnclaimedTopic) bool { return u.Topic == topic })
}

// SpeciesIn are the species of a catalog for forms, in order of name.
func SpeciesIn(catalog *species.Catalog) []Species {
	var list []Species
	for _, sp := range catalog.All() {
		v := Species{ID: sp.ID, Name: sp.CommonName, ScientificName: sp.ScientificName, Assumed: sp.Assumed(), Origin: sp.Origin}
		for _, st := range sp.Stages {
			v.Stages = append(v.Stages, StageName{ID: st.ID, Name: st.Name})
		}
		list = append(list, v)
	}
	slices.SortFunc(list, func(a, b Species) int { return strings.Compare(a.Name, b.Name) })
	return list
}
