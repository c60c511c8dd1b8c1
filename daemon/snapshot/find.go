package snapshot

import (
	"errors"
	"fmt"

	"rearguard/alerts"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
	"rearguard/sensors/unclaimed"
)

// Source gives the state to those who only show it.
type Source interface {
	// Snapshot returns the state published last, nil while starting.
	Snapshot() *Snapshot
}

// ErrUnknown marks a question about something that the facility does not have.
var ErrUnknown = errors.New("not known here")

// Alarm returns the alarm with the key.
func (s *Snapshot) Alarm(key alerts.Key) (*Alarm, error) {
	if a := first(s.Alarms, key, func(a *Alarm) alerts.Key { return a.Key }); a != nil {
		return a, nil
	}
	return nil, fmt.Errorf("alarm %q in room %q is %w: it may have cleared meanwhile", key.Condition, key.Room, ErrUnknown)
}

// Cohort returns the cohort with the id.
func (s *Snapshot) Cohort(id population.CohortID) (*Cohort, error) {
	return named("cohort", id, first(s.Cohorts, id, func(c *Cohort) population.CohortID { return c.ID }))
}

// Room returns the room with the id.
func (s *Snapshot) Room(id sensors.RoomID) (*Room, error) {
	return named("room", id, first(s.Rooms, id, func(r *Room) sensors.RoomID { return r.ID }))
}

// Sensor returns the sensor in use with the id.
func (s *Snapshot) Sensor(id sensors.SensorID) (*desk.View, error) {
	return named("sensor", id, first(s.Sensors, id, sensorID))
}

// AnySensor returns the sensor with the id, retired or in use.
func (s *Snapshot) AnySensor(id sensors.SensorID) (*desk.View, error) {
	if v := first(s.Retired, id, sensorID); v != nil {
		return v, nil
	}
	return s.Sensor(id)
}

func sensorID(v *desk.View) sensors.SensorID { return v.ID }

// SpeciesOf returns the species with the id.
func (s *Snapshot) SpeciesOf(id species.ID) (*Species, error) {
	return named("species", id, first(s.Species, id, func(v *Species) species.ID { return v.ID }))
}

// Certificate returns the calibration with the number.
func (s *Snapshot) Certificate(number string) (*calibration.InForce, error) {
	return named("certificate", number, first(s.Certificates, number, func(f *calibration.InForce) string { return f.Certificate.Number }))
}

// UnclaimedTopic returns the topic that no sensor claims.
func (s *Snapshot) UnclaimedTopic(topic string) (*unclaimed.TopicView, error) {
	if t := first(s.Unclaimed, topic, func(t *unclaimed.TopicView) string { return t.Topic }); t != nil {
		return t, nil
	}
	return nil, fmt.Errorf("topic %q is %w: it may be a sensor's by now, or was not seen since the last start", topic, ErrUnknown)
}

// RoomName is the name people read, the id where there is none.
func (s *Snapshot) RoomName(id sensors.RoomID) string {
	if r, err := s.Room(id); err == nil && r.Name != "" {
		return r.Name
	}
	return string(id)
}

// StageName is the name people read, the id where there is none.
func (s *Snapshot) StageName(animal species.ID, stage species.StageID) string {
	if sp, err := s.SpeciesOf(animal); err == nil {
		if st := first(sp.Stages, stage, func(st *StageName) species.StageID { return st.ID }); st != nil {
			return st.Name
		}
	}
	return string(stage)
}

// first returns the first of the list that has the key, nil for none.
func first[V any, K comparable](list []V, key K, keyOf func(*V) K) *V {
	for i := range list {
		if keyOf(&list[i]) == key {
			return &list[i]
		}
	}
	return nil
}

func named[V any, K ~string](kind string, id K, found *V) (*V, error) {
	if found == nil {
		return nil, fmt.Errorf("%s %q is %w", kind, id, ErrUnknown)
	}
	return found, nil
}
