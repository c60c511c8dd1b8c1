package standing_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/facility"
	"rearguard/daemon/standing"
	"rearguard/sensors"
)

func hour(h int) time.Time { return time.Date(2026, 5, 1, h, 0, 0, 0, time.UTC) }

// house are sensors in rooms.
func house(pairs ...string) []facility.Sensor {
	var list []facility.Sensor
	for i := 0; i < len(pairs); i += 2 {
		list = append(list, facility.Sensor{ID: sensors.SensorID(pairs[i]), Room: sensors.RoomID(pairs[i+1])})
	}
	return list
}

func minute(sensors.SensorID) time.Duration { return time.Minute }

// Where a sensor stood follows every edit: moved, taken out, put back, new.
func TestStaysFollowEdits(t *testing.T) {
	var s standing.Stays
	first := house("a", "nursery", "b", "nursery", "out", "")
	moved := house("a", "hall", "b", "nursery", "c", "nursery")
	gone := house("a", "hall", "c", "nursery")
	s = s.After(first, moved, minute, hour(10))
	s = s.After(moved, gone, minute, hour(12))
	back := s.After(gone, moved, minute, hour(14))
	for _, c := range []struct {
		stays  standing.Stays
		sensor sensors.SensorID
		at     time.Time
		room   sensors.RoomID
		known  bool
	}{
		{s, "a", hour(9), "nursery", true},
		{s, "a", hour(10), "hall", true},
		{s, "b", hour(11), "nursery", true},
		{s, "b", hour(13), "", true},
		{s, "c", hour(13), "", false},
		{s, "out", hour(9), "", false},
		{back, "b", hour(13), "nursery", true},
		{back, "b", hour(15), "nursery", true},
	} {
		if room, known := c.stays.RoomAt(c.sensor, c.at); room != c.room || known != c.known {
			t.Errorf("%s at %s is in %q (known %v), want %q (%v)", c.sensor, c.at.Format("15:04"), room, known, c.room, c.known)
		}
	}
	if d := cmp.Diff([]sensors.SensorID{"c", "a", "b"}, s.In("nursery", []sensors.SensorID{"c"})); d != "" {
		t.Errorf("once in the nursery (-want +got):\n%s", d)
	}
	if fresh, ok := s.Fresh("b"); !ok || fresh != time.Minute {
		t.Errorf("readings of b counted for %v (known %v)", fresh, ok)
	}
	var kept []sensors.SensorID
	only := s.Only("nursery", func(r sensors.Reading) { kept = append(kept, r.Sensor) })
	for _, id := range []sensors.SensorID{"a", "b", "c"} {
		only(sensors.Reading{Series: sensors.Series{Sensor: id}, Time: hour(11)})
	}
	if d := cmp.Diff([]sensors.SensorID{"b", "c"}, kept); d != "" {
		t.Errorf("readings of the nursery at eleven (-want +got):\n%s", d)
	}
}
