package proof

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"rearguard/daemon/progress"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

var now = time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)

// sound is a facility of which all is proven: one sensor that sends every minute
// and did so half a minute ago, and another that does so when something changes.
func sound() *snapshot.Snapshot {
	reading := func(id sensors.SensorID, age time.Duration) []sensors.Reading {
		return []sensors.Reading{{Series: sensors.Series{Sensor: id, Quantity: sensors.Temperature}, Time: now.Add(-age)}}
	}
	return &snapshot.Snapshot{
		Broker: snapshot.Link{Connected: true, Subscribed: true}, Store: snapshot.Store{OK: true},
		Picture: desk.Picture{Sensors: []desk.View{
			{ID: "a", ExpectedInterval: time.Minute, Values: reading("a", 30*time.Second)},
			{ID: "b", ExpectedInterval: time.Hour, Values: reading("b", 50*time.Minute)},
		}},
	}
}

func held(want ...sensors.SensorID) func(context.Context, sensors.Series, time.Time) (bool, error) {
	return func(_ context.Context, s sensors.Series, _ time.Time) (bool, error) {
		return slices.Contains(want, s.Sensor), nil
	}
}

// Each part of the proof can fail by itself, and then the watcher outside hears
// nothing.
func TestEachPartOfTheProofCounts(t *testing.T) {
	if got := Missing(t.Context(), now, sound(), nil, held("a", "b")); len(got) > 0 {
		t.Fatalf("of a sound facility is missing: %q", got)
	}
	for want, spoil := range map[string]func(*snapshot.Snapshot){
		"the broker is not connected":                   func(s *snapshot.Snapshot) { s.Broker = snapshot.Link{} },
		"the broker has not accepted the subscriptions": func(s *snapshot.Snapshot) { s.Broker.Subscribed = false },
		"the records cannot be written":                 func(s *snapshot.Snapshot) { s.Store.OK = false },
		"the clock is not believed":                     func(s *snapshot.Snapshot) { s.Clock.Doubt.Problem = "it contradicts the sensors" },
		"urgent notices are overdue: 2":                 func(s *snapshot.Snapshot) { s.Overdue = 2 },
		"there is no sensor":                            func(s *snapshot.Snapshot) { s.Sensors = nil },
		"no sensor has sent anything within its interval": func(s *snapshot.Snapshot) {
			s.Sensors[0].ExpectedInterval, s.Sensors[1].ExpectedInterval = 29*time.Second, 49*time.Minute
		},
		"no sensor has sent anything within its interval ": func(s *snapshot.Snapshot) { s.Sensors[0].Silent, s.Sensors[1].Silent = true, true },
	} {
		s := sound()
		spoil(s)
		if got := Missing(t.Context(), now, s, nil, held("a", "b")); len(got) != 1 || got[0]+" " != want && got[0] != want {
			t.Errorf("missing %q, want %q", got, want)
		}
	}
	stuck := []progress.State{{Of: progress.Decide, Problem: "readings that have arrived are not evaluated for 2m0s"}}
	if got := Missing(t.Context(), now, sound(), stuck, held("a")); len(got) != 1 || got[0] != stuck[0].Problem {
		t.Errorf("missing %q", got)
	}
}

// That a reading was decided about proves nothing unless it is on the disk; the
// very newest may be on its way there.
func TestNewestReadingsAreInTheRecords(t *testing.T) {
	if got := Missing(t.Context(), now, sound(), nil, held("b")); len(got) > 0 {
		t.Errorf("the second newest is recorded, and missing is %q", got)
	}
	if got := Missing(t.Context(), now, sound(), nil, held()); len(got) != 1 || got[0] != "the newest readings are not in the records" {
		t.Errorf("missing %q", got)
	}
	broken := func(context.Context, sensors.Series, time.Time) (bool, error) {
		return false, errors.New("disk I/O error")
	}
	if got := Missing(t.Context(), now, sound(), nil, broken); len(got) != 1 || got[0] != "the records cannot be read" {
		t.Errorf("missing %q", got)
	}
}

// A new start is for what hangs, and not for what fails.
func TestAliveIsLessThanProven(t *testing.T) {
	for _, tt := range []struct {
		stuck   progress.Stage
		storeOK bool
		want    bool
	}{
		{progress.Tick, true, false}, {progress.Tick, false, false},
		{progress.Decide, true, true}, {progress.Decide, false, true},
		{progress.Commit, true, false}, {progress.Commit, false, true},
		{progress.Tell, true, false}, {progress.Tell, false, true},
	} {
		stages := []progress.State{{Of: progress.Tick, OK: true}, {Of: progress.Decide, OK: true}, {Of: progress.Commit, OK: true}, {Of: progress.Tell, OK: true}}
		if !Alive(stages, tt.storeOK) {
			t.Errorf("not alive with every stage well, records %v", tt.storeOK)
		}
		stages[tt.stuck].OK = false
		if got := Alive(stages, tt.storeOK); got != tt.want {
			t.Errorf("stage %d stuck, records can be written %v: alive %v, want %v", tt.stuck, tt.storeOK, got, tt.want)
		}
	}
}
