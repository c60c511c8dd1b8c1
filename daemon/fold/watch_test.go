package fold

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// house lets minutes pass with a reading of every sensor, some seconds after
// each. The hall has 25 °C.
func (b *scene) house(minutes int, after time.Duration, first, second, humidity float64) {
	b.t.Helper()
	for range minutes {
		b.now = b.now.Add(time.Minute)
		at := b.now.Add(after)
		if err := b.Messages(nursery("a", at, first, humidity), nursery("b", at, second, humidity), hall(at, 25)); err != nil {
			b.t.Fatal(err)
		}
	}
	b.wait(0)
}

// ownMoth is a species that states no limits.
const ownMoth = `species:
  - id: own-moth
    common_name: Own moth
    stages:
      - {id: egg, lower_celsius: 10, requirement_degree_days: 60, source: own}
      - {id: larva-1, lower_celsius: 10, requirement_degree_days: 80, source: own}
      - {id: adult, lower_celsius: 10, requirement_degree_days: 100, source: own}
`

// Heat and cold run from the reading that shows them, in one room at the same
// time as well.
func TestDelaysRunFromTheReading(t *testing.T) {
	for name, c := range map[string]struct {
		limits string
		want   []alerts.Condition
	}{
		"no limits":  {"", nil},
		"heat alone": {"limits: {heat_celsius: 33}\n", []alerts.Condition{conditions.Heat}},
		"cold alone": {"limits: {chill_celsius: 8}\n", []alerts.Condition{conditions.Chill}},
		"both":       {"limits: {heat_celsius: 33, chill_celsius: 8}\n", []alerts.Condition{conditions.Chill, conditions.Heat}},
	} {
		t.Run(name, func(t *testing.T) {
			o := testOptions(t, foldtest.Facility+c.limits+ownMoth)
			var err error
			if o.Catalog, err = species.CatalogOf(o.Facility.Species); err != nil {
				t.Fatal(err)
			}
			b := &scene{box: newBox(t, o), t: t, now: testStart}
			moth := monarchs("m", "egg", 50, b.now)
			moth.Cohort.Species = "own-moth"
			b.do(moth)
			b.house(30, 10*time.Second, 25, 25, 70)
			from := b.now.Add(time.Minute + 10*time.Second)
			b.house(40, 10*time.Second, 38, 3, 70)
			var raised []alerts.Condition
			for _, s := range b.steps {
				if s.Event != alerts.EventRaise || s.Key.Condition != conditions.Heat && s.Key.Condition != conditions.Chill {
					continue
				}
				raised = append(raised, s.Key.Condition)
				if waited := s.Time.Sub(from); waited != waited.Truncate(time.Minute) {
					t.Errorf("%s is raised %v after the reading that showed it, want some minutes", s.Key.Condition, waited)
				}
			}
			slices.Sort(raised)
			if !slices.Equal(raised, c.want) {
				t.Errorf("raised are %v, want %v", raised, c.want)
			}
		})
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
			b.house(59, 0, 25, 25, 70)
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
			b.house(60, 0, 25, 25, 70)
			b.wait(time.Hour)
			if n := b.raised()[conditions.MainsLost]; n != 1 {
				t.Errorf("all rooms with sensors went blind together, and the mains are called lost %d times: %v", n, b.raised())
			}
		})
	}
}

// Where it is not known how cold the walls are, nothing is said of water on
// them, however damp the air of a warm shelf is for a cool one.
func TestWaterOnTheColdestSurface(t *testing.T) {
	for surface, want := range map[string]int{"": 0, ", coldest_surface_below_air_celsius: 3": 1} {
		b := newScene(t, strings.Replace(foldtest.Facility, "name: Nursery", "name: Nursery"+surface, 1))
		b.cohort("larva-3")
		b.house(180, 0, 26, 24, 97)
		if got := b.raised()[conditions.Condensation]; got != want {
			t.Errorf("with%s water on the walls is raised %d times, want %d: %v", surface, got, want, b.raised())
		}
	}
}

// An alarm is over when what it is about is gone, and stays for as long as that
// is there.
func TestAlarmsEndWithWhatTheyAreAbout(t *testing.T) {
	text := strings.ReplaceAll(foldtest.Facility, "interval: 60s", "interval: 15m")
	configured := func(pairs ...string) Command {
		return Configure{Path: "test.yaml", Text: strings.NewReplacer(pairs...).Replace(text), Who: "lead"}
	}
	withoutNursery := configured("  - {id: nursery, name: Nursery}\n", "", "    room: nursery\n", "    room: hall\n")
	o := testOptions(t, text)
	o.Grid = 10 * time.Minute
	closed := EndCohort{Cohort: "m", At: minute(26 * 60), Who: "keeper"}
	moved := MoveCohort{Cohort: "m", Room: "hall", At: minute(26 * 60), Who: "keeper"}
	stalled, silent := alerts.Key{Condition: conditions.CohortStalled, Room: "nursery", Subject: "m"}, alerts.Key{Condition: conditions.SensorSilent, Room: "hall", Subject: "hall-a"}
	unwatched := alerts.Key{Condition: conditions.CohortUnwatched, Subject: "m"}
	for name, c := range map[string]struct {
		commands []Command
		want     []alerts.Key
	}{
		"nothing is gone":       {nil, []alerts.Key{stalled, silent}},
		"another cohort closed": {[]Command{EndCohort{Cohort: "n", At: minute(26 * 60), Who: "keeper"}}, []alerts.Key{stalled, silent}},
		"the cohort closed":     {[]Command{closed}, []alerts.Key{silent}},
		"the cohort moved":      {[]Command{moved}, []alerts.Key{silent}},
		"the sensor moved":      {[]Command{configured("room: hall\n", "room: nursery\n")}, []alerts.Key{stalled}},
		"the sensor in no room": {[]Command{configured("    room: hall\n", "    place: outdoor\n")}, []alerts.Key{stalled}},
		"the nursery taken out": {[]Command{withoutNursery}, []alerts.Key{unwatched, silent}},
		"and its cohort moved":  {[]Command{withoutNursery, moved}, []alerts.Key{silent}},
		"and its cohort closed": {[]Command{withoutNursery, closed}, []alerts.Key{silent}},
	} {
		t.Run(name, func(t *testing.T) {
			b := &scene{box: newBox(t, o), t: t, now: testStart}
			b.cohort("larva-3")
			other := monarchs("n", "larva-3", 10, b.now)
			other.Cohort.Placements[0].Room = "hall"
			b.do(other)
			for q := range 26*4 + 1 {
				at := minute(15 * q)
				b.now = at
				list := []sensors.Message{nursery("a", at, 10, 70), nursery("b", at, 10, 70)}
				if q < 4 {
					list = append(list, hall(at, 25))
				}
				if err := b.Messages(list...); err != nil {
					t.Fatal(err)
				}
			}
			for _, command := range c.commands {
				b.do(command)
				b.wait(11 * time.Minute)
			}
			b.wait(11 * time.Minute)
			var got []alerts.Key
			for _, a := range b.Snapshot().Alarms {
				if a.Active && slices.Contains([]alerts.Key{stalled, silent, unwatched}, a.Key) {
					got = append(got, a.Key)
				}
				if a.Active && a.Key == stalled && !slices.Equal(a.Cohorts, []population.CohortID{"m"}) {
					t.Errorf("the cohort that stands still puts %v at risk", a.Cohorts)
				}
			}
			slices.SortFunc(got, func(a, b alerts.Key) int { return strings.Compare(string(a.Condition), string(b.Condition)) })
			if !slices.Equal(got, c.want) {
				t.Errorf("active are %v, want %v", got, c.want)
			}
		})
	}
}
