package daemon

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/snapshot"
)

// A configuration read again while the daemon runs leaves every alarm as it is:
// nothing is told again, and nothing that was told is forgotten.
func TestComplaint19ReloadTouchesNoAlarm(t *testing.T) {
	r := newRig(t)
	at := testStart
	a := r.hot(&at)
	shelved := alerts.Key{Condition: conditions.Damp, Room: "nursery"}
	r.do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: "lead", Incident: true})
	r.do(fold.Order{Verb: alerts.Shelve, Key: shelved, Who: "lead", For: time.Hour, Reason: "cleaning"})
	told := r.notices(a)
	steps := len(transitions(t, r.path))
	before := r.engine.Snapshot()
	next := foldtest.Parse(t, edited(t, "{id: hall, name: Hall}", "{id: hall, name: Hall, limits: {heat_celsius: 33}}", "name: Lead,", "name: Lena,"))
	r.do(fold.NewConfigure(next, r.catalog, "lead"))
	after := r.engine.Snapshot()
	if d := cmp.Diff(before.Alarms, after.Alarms); d != "" {
		t.Errorf("alarms (-before +after):\n%s", d)
	}
	if c := after.LimitChanges; len(c) != 1 || c[0].What != "room hall heat_celsius" || c[0].To != "33" {
		t.Errorf("changes of limits are %+v, want that of the hall", c)
	}
	n := r.notices(a)
	if m := len(transitions(t, r.path)); n != told || m != steps {
		t.Errorf("the reload told %d notices and made %d steps", n-told, m-steps)
	}
	r.pass(&at, 45, 25)
	r.isOver(a, told)
}

// A sensor that a reload brings in has the time to speak that one has after a
// start, and no more.
func TestReloadGivesANewSensorItsChance(t *testing.T) {
	r := newRig(t)
	at := testStart
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: at}
	for range 30 {
		r.send("t/hall/a", "21", at)
		r.pass(&at, 1, 25)
	}
	r.facility = foldtest.Parse(t, edited(t, "id: hall-a", "id: hall-b"))
	r.do(fold.NewConfigure(r.facility, r.catalog, "lead"))
	blind := alerts.Key{Condition: conditions.RoomBlind, Room: "hall"}
	if a := alarmOf(r.pass(&at, 4, 25), blind); a != nil {
		t.Errorf("blind 4 min after its sensor was brought in, which may be silent for 5: %+v", a)
	}
	if a := alarmOf(r.pass(&at, 8, 25), blind); a == nil || !a.Active {
		t.Errorf("not blind 12 min after a sensor was brought in that says nothing: %+v", a)
	}
}

// A faulty configuration is refused as a whole, and what was goes on.
func TestFaultyReloadChangesNothing(t *testing.T) {
	r := newRig(t)
	before := r.tick(minute(1))
	for _, text := range []string{"rooms: nonsense", strings.Replace(foldtest.Facility, "room: nursery\n", "room: elsewhere\n", 1)} {
		if err := r.engine.Do(t.Context(), fold.Configure{Path: "facility.yaml", Text: text, Who: "lead"}); err == nil {
			t.Errorf("taken: %s", text)
		}
	}
	after := r.tick(minute(2))
	if len(after.Rooms) != len(before.Rooms) || len(after.Sensors) != len(before.Sensors) {
		t.Errorf("%d rooms and %d sensors, want %d and %d", len(after.Rooms), len(after.Sensors), len(before.Rooms), len(before.Sensors))
	}
}

// With the configurations that the records know the past comes out as it was,
// and a restart goes on where it ended, however often the file was changed; with
// one configuration for all of it the replay runs to its end and says what could
// not be carried out.
func TestReplayOverChangedConfigurations(t *testing.T) {
	r := newRig(t)
	at := testStart
	a := r.hot(&at)
	r.do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: "lead", Incident: true})
	loose := edited(t, "{id: nursery, name: Nursery}", "{id: nursery, name: Nursery, limits: {heat_celsius: 40}}")
	r.do(fold.NewConfigure(foldtest.Parse(t, loose), r.catalog, "lead"))
	r.pass(&at, 40, 37)
	r.restart(strings.Replace(loose, "id: nursery-b", "id: north-b", 1), at.Add(time.Minute))
	at = at.Add(time.Minute)
	r.pass(&at, 20, 41)
	live := r.engine.Snapshot()
	r.stop()
	want := transitions(t, r.path)

	followed := r.replay(true, nil)
	if d := cmp.Diff(want, followed.Transitions); d != "" {
		t.Errorf("alarms as they happened and as replayed (-happened +replayed):\n%s", d)
	}
	if got, was := followed.Final.Cohorts[0].ThermalTime, live.Cohorts[0].ThermalTime; got != was {
		t.Errorf("%v degree-days replayed, %v live", got, was)
	}
	var left []error
	r.replay(false, func(err error) { left = append(left, err) })
	if len(left) != 1 || !strings.Contains(left[0].Error(), "acknowledge") {
		t.Errorf("left out: %v, want the acknowledgement of an alarm that 40 °C would not have raised", left)
	}
}
