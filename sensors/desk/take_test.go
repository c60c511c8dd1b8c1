package desk

import (
	"testing"
	"time"

	"rearguard/sensors"
)

// After the clock was set back, times are taken by readings of the time ahead.
// Those that come at once find others, each its own.
func TestReadingsMakeWayOneByOne(t *testing.T) {
	start := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	at := func(ms int) time.Time { return start.Add(time.Duration(ms) * time.Millisecond) }
	one := &series{key: sensors.Series{Sensor: "a", Quantity: sensors.Temperature}}
	in := &Intake{}
	for ms := range 4 {
		in.waiting = append(in.waiting, arrived{Reading: sensors.Reading{Series: one.key, Time: at(ms)}, series: one})
	}
	taken := map[time.Time]bool{at(0): true, at(4): true}
	err := in.makeWay(at(1000), func(_ sensors.Series, t time.Time) (bool, error) { return taken[t], nil })
	if err != nil {
		t.Fatal(err)
	}
	for i, ms := range []int{1, 2, 3, 5} {
		if got := in.waiting[i].Time; !got.Equal(at(ms)) {
			t.Errorf("reading %d is put at %v, want %v", i, got, at(ms))
		}
	}
	if !one.newestAdmitted().Equal(at(5)) {
		t.Errorf("the newest admitted is of %v", one.newestAdmitted())
	}
}
