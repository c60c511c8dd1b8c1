package daemon

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// benchRoom is an occupied room with three sensors after a day of good air.
func benchRoom(b *testing.B) (*core, *roomState) {
	b.Helper()
	text := strings.Replace(testFacility, "  - id: hall-a\n    room: hall", "  - id: hall-a\n    room: nursery", 1)
	b.Setenv("REARGUARD_TEST_SECRET", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	f, err := facility.Parse("test.yaml", []byte(text))
	if err != nil {
		b.Fatal(err)
	}
	catalog, err := rearing.Library()
	if err != nil {
		b.Fatal(err)
	}
	trial, err := NewTrialWith(f, catalog, testStart, TrialOptions{ForecastEvery: 24 * time.Hour})
	if err != nil {
		b.Fatal(err)
	}
	if err := trial.Do(AddCohort{Who: "b", Cohort: rearing.Cohort{
		ID: "c", Species: "danaus-plexippus", Start: testStart, StartStage: "larva-3", Individuals: 10,
		Placements: []rearing.Placement{{Room: "nursery", From: testStart}},
	}}); err != nil {
		b.Fatal(err)
	}
	for m := range 25 * 60 {
		at := testStart.Add(time.Duration(m) * time.Minute)
		body := fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":70}`, at.Unix(), 25+0.01*float64(m%7))
		for _, message := range []sensors.Message{{Topic: "t/nursery/a", Payload: body}, {Topic: "t/nursery/b", Payload: body}, {Topic: "t/hall/a", Payload: []byte("25.1")}} {
			message.Received = at
			if err := trial.Message(message); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ResetTimer()
	return trial.core, trial.core.roomBy["nursery"]
}

// BenchmarkWatchLevels is what a reading costs the alarms of a room that is
// well.
func BenchmarkWatchLevels(b *testing.B) {
	c, r := benchRoom(b)
	for b.Loop() {
		if err := c.watchLevels(r); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkWatchRoom is what an instant of the grid costs a room that is well.
func BenchmarkWatchRoom(b *testing.B) {
	c, r := benchRoom(b)
	for b.Loop() {
		if err := c.watchRoom(r); err != nil {
			b.Fatal(err)
		}
	}
}
