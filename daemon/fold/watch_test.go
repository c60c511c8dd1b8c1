package fold

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// house lets minutes pass with a reading of every sensor, some seconds after
// each.
func (b *scene) house(minutes int, after time.Duration, first, second, hallC, humidity float64) {
	b.t.Helper()
	for range minutes {
		b.now = b.now.Add(time.Minute)
		at := b.now.Add(after)
		if err := b.Messages(nursery("a", at, first, humidity), nursery("b", at, second, humidity), hall(at, hallC)); err != nil {
			b.t.Fatal(err)
		}
	}
	b.wait(0)
}

// Heat and cold run from the reading that shows them, in one room at the same
// time as well.
func TestDelaysRunFromTheReading(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.house(30, 10*time.Second, 25, 25, 25, 70)
	from := b.now.Add(time.Minute + 10*time.Second)
	b.house(40, 10*time.Second, 38, 3, 25, 70)
	for _, c := range []alerts.Condition{conditions.Heat, conditions.Chill} {
		i := slices.IndexFunc(b.steps, func(s records.AlarmTransition) bool { return s.Key.Condition == c && s.Event == alerts.EventRaise })
		if i < 0 {
			t.Errorf("%s is not raised", c)
			continue
		}
		if waited := b.steps[i].Time.Sub(from); waited != waited.Truncate(time.Minute) {
			t.Errorf("%s is raised %v after the reading that showed it, want some minutes", c, waited)
		}
	}
}

// What takes a sensor out of its room is seen in the air of the room at that
// moment.
func TestRoomWithoutItsSensorsIsBlindAtOnce(t *testing.T) {
	for name, gone := range map[string]func(sensors.SensorID) Command{
		"they say that they go": func(id sensors.SensorID) Command { return presenceEvent{Sensor: id} },
		"to the bench": func(id sensors.SensorID) Command {
			return StartBench{Sensor: id, Quantity: sensors.Temperature, Who: "Ana"}
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newScene(t, foldtest.Facility)
			b.cohort("larva-3")
			b.house(59, 0, 25, 25, 25, 70)
			b.wait(40 * time.Second)
			for _, id := range []sensors.SensorID{"nursery-a", "nursery-b"} {
				b.do(gone(id))
			}
			b.wait(30 * time.Minute)
			if a := b.active(conditions.RoomBlind); a == nil || !strings.Contains(a.Detail, "temperature since 08:59;") {
				t.Errorf("the room is blind: %q; want since 08:59", a.Detail)
			}
		})
	}
}

// Rooms without sensors say nothing of the mains, however many there are.
func TestMainsAreJudgedByRoomsWithSensors(t *testing.T) {
	for name, more := range map[string]string{
		"every room has sensors": "",
		"most rooms have none":   "\n  - {id: attic}\n  - {id: cellar}\n  - {id: shed}\n  - {id: yard}\n  - {id: lane}",
	} {
		t.Run(name, func(t *testing.T) {
			b := newScene(t, strings.Replace(foldtest.Facility, "\n  - {id: hall, name: Hall}", "\n  - {id: hall, name: Hall}"+more, 1))
			b.house(60, 0, 25, 25, 25, 70)
			b.wait(time.Hour)
			if n := b.raised()[conditions.MainsLost]; n != 1 {
				t.Errorf("all rooms with sensors went blind together, and the mains are called lost %d times: %v", n, b.raised())
			}
		})
	}
}

// Where it is not known how cold the walls are, nothing is said of water on
// them.
func TestWaterOnTheColdestSurface(t *testing.T) {
	for surface, want := range map[string]int{"": 0, ", coldest_surface_below_air_celsius: 3": 1} {
		b := newScene(t, strings.Replace(foldtest.Facility, "name: Nursery", "name: Nursery"+surface, 1))
		b.cohort("larva-3")
		b.house(180, 0, 25, 25, 25, 95)
		if got := b.raised()[conditions.Condensation]; got != want {
			t.Errorf("with%s water on the walls is raised %d times, want %d: %v", surface, got, want, b.raised())
		}
	}
}
