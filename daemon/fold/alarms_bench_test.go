package fold

import (
	"strings"
	"testing"

	"rearguard/daemon/foldtest"
	"rearguard/sensors"
)

// benchRoom is an occupied room with three sensors after a day of good air.
func benchRoom(b *testing.B) (*Fold, *room) {
	b.Helper()
	text := strings.Replace(foldtest.Facility, "  - id: hall-a\n    room: hall", "  - id: hall-a\n    room: nursery", 1)
	sandbox := newBox(b, testOptions(b, text))
	if err := sandbox.Do(monarchs("c", "larva-3", 10, testStart)); err != nil {
		b.Fatal(err)
	}
	for m := range 25 * 60 {
		at := minute(m)
		shown := 25 + 0.01*float64(m%7)
		for _, message := range []sensors.Message{
			nursery("a", at, shown, 70), nursery("b", at, shown, 70),
			{Topic: "t/hall/a", Payload: []byte("25.1"), Received: at},
		} {
			if err := sandbox.Messages(message); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ResetTimer()
	return sandbox.fold, sandbox.fold.rooms.by["nursery"]
}

// BenchmarkWatchLevels is what a reading costs the alarms of a room that is
// well.
func BenchmarkWatchLevels(b *testing.B) {
	f, r := benchRoom(b)
	for b.Loop() {
		if err := f.watch.levels(r); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkWatchRoom is what an instant of the grid costs a room that is well.
func BenchmarkWatchRoom(b *testing.B) {
	f, r := benchRoom(b)
	for b.Loop() {
		if err := f.watch.room(r, f.desk.OutdoorC(f.clock)); err != nil {
			b.Fatal(err)
		}
	}
}
