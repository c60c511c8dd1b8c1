package daemon

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// edited is the configuration of the tests with some texts in place of others.
func edited(t *testing.T, pairs ...string) string {
	t.Helper()
	text := foldtest.Facility
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("the configuration holds no %q", pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	return text
}

// withoutHall has neither the hall nor its sensor.
func withoutHall(t *testing.T) string {
	t.Helper()
	before, after, _ := strings.Cut(edited(t, "  - {id: hall, name: Hall}\n", ""), "  - id: hall-a\n")
	_, after, _ = strings.Cut(after, "people:")
	return before + "people:" + after
}

// renamedRoom calls the nursery by another id.
func renamedRoom(t *testing.T) string {
	t.Helper()
	return edited(t, "id: nursery,", "id: nursery-1,", "room: nursery\n", "room: nursery-1\n")
}

// restart ends the engine and begins again with a configuration.
func (r *rig) restart(text string, now time.Time) *snapshot.Snapshot {
	r.t.Helper()
	r.stop()
	r.facility = foldtest.Parse(r.t, text)
	r.start(now)
	return r.engine.Snapshot()
}

// pass lets some minutes pass in the nursery at a temperature.
func (r *rig) pass(at *time.Time, n int, temperature float64) *snapshot.Snapshot {
	for range n {
		*at = at.Add(time.Minute)
		r.air(*at, temperature+0.01*float64(at.Minute()%3), 70)
		r.ticks <- timekeeping.Right(*at)
	}
	return r.tick(at.Add(time.Second))
}

// hot raises the heat alarm of the nursery.
func (r *rig) hot(at *time.Time) *snapshot.Alarm {
	r.t.Helper()
	r.monarchs(testStart)
	r.pass(at, 31, 25)
	a := alarmOf(r.pass(at, 12, 36), heatOf("nursery"))
	if a == nil {
		r.t.Fatal("twelve minutes at 36 °C raise no alarm")
	}
	return a
}

func heatOf(room sensors.RoomID) alerts.Key {
	return alerts.Key{Condition: conditions.Heat, Room: room}
}

func alarmOf(s *snapshot.Snapshot, key alerts.Key) *snapshot.Alarm {
	a, err := s.Alarm(key)
	if err != nil {
		return nil
	}
	return a
}

// steps are the recorded steps of an alarm.
func (r *rig) steps(key alerts.Key) []string {
	r.t.Helper()
	r.records()
	var list []string
	for _, s := range transitions(r.t, r.path) {
		if s.Key == key {
			list = append(list, string(s.Event))
		}
	}
	return list
}

// notices are how many notices there are about the trouble of an alarm.
func (r *rig) notices(of *snapshot.Alarm) int {
	r.t.Helper()
	rows, err := r.records().NoticesBetween(r.t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		r.t.Fatal(err)
	}
	return len(slices.DeleteFunc(rows, func(n notify.Notice) bool { return n.Occurrence != of.Occurrence }))
}

// isOver expects an alarm that was acknowledged to have returned, and its end to
// have been told once, beside the notices there were.
func (r *rig) isOver(a *snapshot.Alarm, told int) {
	r.t.Helper()
	if d := cmp.Diff([]string{"raise", "acknowledge", "return"}, r.steps(a.Key)); d != "" {
		r.t.Errorf("steps (-want +got):\n%s", d)
	}
	if n := r.notices(a); n != told+1 {
		r.t.Errorf("%d notices say that it is over, want one", n-told)
	}
}

// An alarm that somebody has acknowledged stays acknowledged over a restart,
// under its number, and people are told when it is over.
func TestComplaint12RestartKeepsAlarmsAcknowledgementsAndTheirEnd(t *testing.T) {
	r := newRig(t)
	at := testStart
	a := r.hot(&at)
	r.do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: "lead", Incident: true})
	told := r.notices(a)
	after := alarmOf(r.restart(foldtest.Facility, at.Add(2*time.Minute)), a.Key)
	if after == nil || after.State != alerts.Acknowledged || after.AcknowledgedBy != "lead" || after.Occurrence != a.Occurrence {
		t.Fatalf("after the restart the alarm is %+v, want it as it was", after)
	}
	if n := r.notices(a); n != told {
		t.Errorf("the restart told %d notices", n-told)
	}
	at = at.Add(2 * time.Minute)
	r.pass(&at, 45, 25)
	r.isOver(a, told)
}

// Whatever limit is loosened over a restart: an alarm keeps its number and its
// acknowledgement, is not told again, and its end is told once.
func TestStartAfterLimitWasLoosened(t *testing.T) {
	r := newRig(t)
	at := testStart
	a := r.hot(&at)
	r.do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: "lead", Incident: true})
	told := r.notices(a)
	after := alarmOf(r.restart(edited(t, "{id: nursery, name: Nursery}", "{id: nursery, name: Nursery, limits: {heat_celsius: 40}}"), at.Add(2*time.Minute)), a.Key)
	if after == nil || after.State != alerts.Acknowledged || after.Occurrence != a.Occurrence {
		t.Fatalf("after the edit the alarm is %+v, want it as it was", after)
	}
	at = at.Add(2 * time.Minute)
	s := r.pass(&at, 12, 36)
	if alarmOf(s, a.Key) != nil {
		t.Error("36 °C is within the new limit and the alarm still open")
	}
	r.pass(&at, 45, 25) // until it harms nobody any more
	r.isOver(a, told)
	// What comes next has a number of its own.
	b := alarmOf(r.pass(&at, 12, 42), a.Key)
	if b == nil || b.Occurrence <= a.Occurrence {
		t.Errorf("the next trouble is %+v, want a number above %d", b, a.Occurrence)
	}
}

// A delay that is changed while an alarm is on does not make a new one of it.
func TestDelayChangedWhileAlarmIsOn(t *testing.T) {
	r := newRig(t)
	at := testStart
	a := r.hot(&at)
	told := r.notices(a)
	r.restart(foldtest.Facility+"alarms: {heat: {on_delay: 20m}}\n", at.Add(time.Minute))
	at = at.Add(time.Minute)
	after := alarmOf(r.pass(&at, 3, 36), a.Key)
	if after == nil || after.Occurrence != a.Occurrence || !after.RaisedAt.Equal(a.RaisedAt) {
		t.Errorf("the alarm is %+v, want %+v", after, a)
	}
	if n := r.notices(a); n != told {
		t.Errorf("told %d times again", n-told)
	}
}

// A room and its sensor are taken out after an alarm about them was
// acknowledged: the start is not refused, and the alarm ends.
func TestStartAfterRoomOfAnAlarmWasRemoved(t *testing.T) {
	r := newRig(t)
	at := testStart
	r.send("t/hall/a", "21", at)
	about := func(s *snapshot.Snapshot) *snapshot.Alarm {
		i := slices.IndexFunc(s.Alarms, func(a snapshot.Alarm) bool { return a.Key.Room == "hall" })
		if i < 0 {
			return nil
		}
		return &s.Alarms[i]
	}
	a := about(r.pass(&at, 60, 25))
	if a == nil {
		t.Fatal("an hour without a word of the hall's sensor raises nothing")
	}
	r.do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: "tech"})
	after := about(r.restart(withoutHall(t), at.Add(2*time.Minute)))
	if after == nil || after.State != alerts.Acknowledged {
		t.Errorf("the alarm is %+v, want it as it was until it is looked at", after)
	}
	at = at.Add(2 * time.Minute)
	if a := about(r.pass(&at, 21, 25)); a != nil {
		t.Errorf("an alarm about a room that is gone: %+v", a)
	}
	if d := cmp.Diff([]string{"raise", "acknowledge", "return"}, r.steps(a.Key)); d != "" {
		t.Errorf("steps (-want +got):\n%s", d)
	}
}

// A cohort whose room is renamed, before or after the checkpoint, is named by an
// alarm of high priority with what to do, keeps what it has developed, and is
// watched again once it is moved.
func TestCohortInARoomThatIsGone(t *testing.T) {
	for name, minutes := range map[string]int{"added since the checkpoint": 15, "older than the checkpoint": 100} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			at := testStart
			r.monarchs(testStart)
			before := r.pass(&at, minutes, 25).Cohorts[0].ThermalTime
			s := r.restart(renamedRoom(t), at.Add(time.Minute))
			lost := alerts.Key{Condition: conditions.CohortUnwatched, Subject: "monarch-1"}
			a := alarmOf(s, lost)
			if a == nil || a.Priority != alerts.High || a.Detail != "cohort monarch-1 stands in room nursery, which is gone: move it or restore the room" {
				t.Fatalf("after the rename the alarm is %+v", a)
			}
			if !slices.Equal(a.Cohorts, []population.CohortID{"monarch-1"}) {
				t.Errorf("at risk are %v", a.Cohorts)
			}
			at = at.Add(time.Minute)
			moved := at
			r.do(fold.MoveCohort{Cohort: "monarch-1", Room: "nursery-1", At: moved, Who: "keeper"})
			s = r.pass(&at, 12, 41)
			c := s.Cohorts[0]
			if c.Room != "nursery-1" || c.ThermalTime < before || c.ThermalTime > before+0.5 || c.Estimated > 0.1 {
				t.Errorf("the cohort is in %s with %.3f degree-days, %.3f of them estimated; it had %.3f", c.Room, c.ThermalTime, c.Estimated, before)
			}
			if alarmOf(s, lost) != nil && alarmOf(s, lost).Active {
				t.Error("the cohort was moved and is still called unwatched")
			}
			if alarmOf(s, heatOf("nursery-1")) == nil {
				t.Error("twelve minutes at 41 °C raise no alarm")
			}
			// A count goes back into the time in the room that is gone.
			r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-1", Time: testStart.Add(5 * time.Minute), Stage: "egg", Seen: 10, Of: 10, By: "keeper"}})
			counted := r.tick(at.Add(2 * time.Second)).Cohorts[0]
			if math.Abs(counted.ThermalTime-c.ThermalTime) > 0.05 {
				t.Errorf("a count of eggs moved thermal time from %.3f to %.3f", c.ThermalTime, counted.ThermalTime)
			}
		})
	}
}

// The room is put back: the alarm ends, and the cohort goes on.
func TestRoomThatWasGoneComesBack(t *testing.T) {
	r := newRig(t)
	at := testStart
	r.monarchs(testStart)
	r.pass(&at, 40, 25)
	r.restart(renamedRoom(t), at.Add(time.Minute))
	at = at.Add(time.Minute)
	r.pass(&at, 5, 25)
	r.restart(foldtest.Facility, at.Add(time.Minute))
	at = at.Add(time.Minute)
	s := r.pass(&at, 12, 41)
	if a := alarmOf(s, alerts.Key{Condition: conditions.CohortUnwatched, Subject: "monarch-1"}); a != nil && a.Active {
		t.Errorf("the room is back, and the alarm is %+v", a)
	}
	if alarmOf(s, heatOf("nursery")) == nil {
		t.Error("twelve minutes at 41 °C raise no alarm")
	}
}

// A sensor gets another id in the file: what the first measured stays the
// room's past.
func TestSensorRenamedKeepsTheRoomsPast(t *testing.T) {
	r := newRig(t)
	at := testStart
	r.monarchs(testStart)
	for d := range 2 {
		for range 24 {
			at = at.Add(30 * time.Minute)
			r.pass(&at, 30, 22+float64(d))
		}
	}
	r.restart(edited(t, "id: nursery-a", "id: north-a", "id: nursery-b", "id: north-b"), at.Add(time.Minute))
	at = at.Add(time.Minute)
	before := r.pass(&at, 10, 25).Cohorts[0]
	r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-1", Time: testStart.Add(2 * time.Hour), Stage: "egg", Seen: 10, Of: 10, By: "keeper"}})
	after := r.tick(at.Add(time.Second)).Cohorts[0]
	if math.Abs(after.ThermalTime-before.ThermalTime) > 0.05 || math.Abs(after.Estimated-before.Estimated) > 0.05 {
		t.Errorf("a count of eggs moved %.2f degree-days (%.2f estimated) to %.2f (%.2f)", before.ThermalTime, before.Estimated, after.ThermalTime, after.Estimated)
	}
}

// ownMoth is a species of the facility's own.
const ownMoth = `species:
  - id: own-moth
    common_name: Own moth
    stages:
      - {id: egg, lower_celsius: 10, requirement_degree_days: 60, source: own}
      - {id: larva-1, lower_celsius: 10, requirement_degree_days: 80, source: own}
      - {id: adult, lower_celsius: 10, requirement_degree_days: 100, source: own}
`

// startWith restarts with a configuration and the species that it has.
func (r *rig) startWith(text string, now time.Time) *snapshot.Snapshot {
	r.t.Helper()
	r.stop()
	r.facility = foldtest.Parse(r.t, text)
	catalog, err := species.CatalogOf(r.facility.Species)
	if err != nil {
		r.t.Fatal(err)
	}
	r.catalog = catalog
	r.start(now)
	return r.engine.Snapshot()
}

// A species taken out of the file under a living cohort: the cohort goes by the
// constants that were in force, over further restarts too, and people are told.
func TestSpeciesRemovedUnderACohort(t *testing.T) {
	r := newRig(t)
	r.startWith(foldtest.Facility+ownMoth, testStart)
	at := testStart
	moth := fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
		ID: "own-1", Species: "own-moth", Start: at, StartStage: "egg", Individuals: 30,
		Placements: []population.Placement{{Room: "nursery", From: at}},
	}}
	r.do(moth)
	before := r.pass(&at, 95, 25).Cohorts[0].ThermalTime
	lost := alerts.Key{Condition: conditions.SpeciesLost, Subject: "own-1"}
	for range 2 {
		s := r.startWith(foldtest.Facility, at.Add(time.Minute))
		at = at.Add(time.Minute)
		if a := alarmOf(s, lost); a == nil || !a.Active {
			t.Fatalf("the alarms are %+v, want one about the species", s.Alarms)
		}
		c := r.pass(&at, 10, 25).Cohorts[0]
		if c.ID != "own-1" || c.ThermalTime <= before || c.Stage != "egg" {
			t.Errorf("the cohort is %s in %s with %.3f degree-days; it had %.3f", c.ID, c.Stage, c.ThermalTime, before)
		}
		before = c.ThermalTime
	}
	moth.Cohort.ID = "own-2"
	if err := r.engine.Do(t.Context(), moth); err == nil {
		t.Error("a cohort of a species that is gone was entered")
	}
	r.startWith(foldtest.Facility+ownMoth, at.Add(time.Minute))
	at = at.Add(time.Minute)
	if a := alarmOf(r.pass(&at, 1, 25), lost); a != nil && a.Active {
		t.Errorf("the species is back, and the alarm is %+v", a)
	}
}

// A species that neither the configuration nor the records know any more: the
// rooms are watched, people are told of the cohort, and nothing of it is lost.
func TestCohortOfASpeciesThatNobodyKnows(t *testing.T) {
	r := newRig(t)
	plain := func(text string, now time.Time) {
		t.Helper()
		r.stop()
		r.facility = foldtest.Parse(t, text)
		// A configuration that came out of no file is not kept in the records.
		r.facility.Text = ""
		var err error
		if r.catalog, err = species.CatalogOf(r.facility.Species); err != nil {
			t.Fatal(err)
		}
		r.start(now)
	}
	at := testStart
	plain(foldtest.Facility+ownMoth, at)
	r.do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
		ID: "own-1", Species: "own-moth", Start: at, StartStage: "egg", Individuals: 30,
		Placements: []population.Placement{{Room: "nursery", From: at}},
	}})
	before := r.pass(&at, 60, 25).Cohorts[0].ThermalTime
	plain(foldtest.Facility, at.Add(time.Minute))
	at = at.Add(time.Minute)
	s := r.pass(&at, 35, 25)
	a := alarmOf(s, alerts.Key{Condition: conditions.CohortUnwatched, Subject: "own-1"})
	if a == nil || !strings.Contains(a.Detail, "own-moth, which nobody knows") || len(s.Cohorts) != 0 || s.Rooms[0].Blind {
		t.Errorf("alarm %+v, cohorts %+v", a, s.Cohorts)
	}
	plain(foldtest.Facility+ownMoth, at.Add(time.Minute))
	at = at.Add(time.Minute)
	if s = r.pass(&at, 10, 25); len(s.Cohorts) != 1 || s.Cohorts[0].ThermalTime <= before {
		t.Errorf("the species is back, and the cohorts are %+v", s.Cohorts)
	}
}
