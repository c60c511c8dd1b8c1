package fold

import (
	"context"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// presenceEvent is a sensor, or its broker in its place, saying whether it is
// there. It is kept in the journal, since room air depends on it.
type presenceEvent struct {
	Sensor sensors.SensorID `json:"sensor"`
	Here   bool             `json:"here"`
}

func (presenceEvent) Kind() string { return "presence" }

func (presenceEvent) who() string { return "" }

func (e presenceEvent) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	return func() error {
		s := f.desk.SetPresence(e.Sensor, e.Here, at)
		if s == nil || e.Here {
			return nil
		}
		if s.Config().OnChange {
			f.rooms.departures.Note(e.Sensor, at)
		}
		return f.watch.roomOf(s)
	}, nil
}

// ownClockEvent is a change of what is wrong with a sensor's own clock. It is
// kept in the journal, since refused readings are not.
type ownClockEvent struct{ desk.OwnClock }

func (ownClockEvent) Kind() string { return "sensor-clock" }

func (ownClockEvent) who() string { return "" }

func (e ownClockEvent) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	return func() error {
		if s := f.desk.SetOwnClock(e.OwnClock, at); s != nil {
			return f.watch.roomOf(s)
		}
		return nil
	}, nil
}
