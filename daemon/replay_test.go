package daemon

import (
	"database/sql"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/daemon/rearing/population"
)

// story drives a rig through two days in which the nursery overheats, a
// sensor falls silent, the broker is lost, and people act. Interrupt is called
// now and then.
func story(r *rig, interrupt func(at time.Time)) {
	r.monarchs(testStart)
	r.links <- snapshot.Link{Address: "tcp://broker", Connected: true, Subscribed: true, Since: testStart}
	acked := false
	for m := range 48 * 60 {
		at := testStart.Add(time.Duration(m) * time.Minute)
		temperature := 25.0
		if m > 600 && m < 700 {
			temperature = 36
		}
		switch {
		case m < 1000 || m > 1100:
			r.air(at, temperature, 70)
		case m == 1000:
			r.links <- snapshot.Link{Address: "tcp://broker", Since: at, Problem: "connection refused"}
		case m == 1100:
			r.links <- snapshot.Link{Address: "tcp://broker", Connected: true, Subscribed: true, Since: at}
		}
		if m%3 == 0 {
			r.send("t/hall/a", "21.5", at.Add(5*time.Second))
		}
		r.ticks <- timekeeping.Right(at.Add(10 * time.Second))
		if m == 640 && !acked {
			acked = true
			r.do(fold.Order{Verb: alerts.Acknowledge, Key: alerts.Key{Condition: "heat", Room: "nursery"}, Who: "lead"})
		}
		if m == 1500 {
			r.do(fold.MoveCohort{Cohort: "monarch-1", Room: "hall", At: at.Add(-30 * time.Minute), Who: "keeper"})
		}
		if m == 1600 {
			r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-1", Time: at, Stage: "egg", Seen: 90, Of: 95, Lost: 5, Cause: "dried", By: "keeper"}})
		}
		if m%397 == 396 {
			interrupt(at.Add(20 * time.Second))
		}
	}
	r.tick(testStart.Add(48 * time.Hour))
}

func TestReplayEqualsLive(t *testing.T) {
	foldtest.WithoutRace(t)
	r := newRig(t)
	story(r, func(time.Time) {})
	live := r.engine.Snapshot()
	r.stop()

	got := r.replayed()
	want := transitions(t, r.path)
	if len(want) < 6 {
		t.Fatalf("the story has only %d alarm steps: %+v", len(want), want)
	}
	if d := cmp.Diff(want, got.Transitions); d != "" {
		t.Errorf("replayed alarms differ from live ones:\n%s", d)
	}
	if d := cmp.Diff(live.Cohorts, got.Final.Cohorts); d != "" {
		t.Errorf("replayed cohorts differ from live ones:\n%s", d)
	}
	if d := cmp.Diff(live.Alarms, got.Final.Alarms); d != "" {
		t.Errorf("replayed alarm states differ from live ones:\n%s", d)
	}
}

func TestRestartContinuesAsIfNeverStopped(t *testing.T) {
	calm := newRig(t)
	story(calm, func(time.Time) {})
	want := calm.engine.Snapshot()
	calm.stop()

	r := newRig(t)
	story(r, func(at time.Time) {
		r.stop()
		r.start(at)
		r.links <- snapshot.Link{Address: "tcp://broker", Connected: true, Subscribed: true, Since: at}
	})
	got := r.engine.Snapshot()
	for i := range want.Cohorts {
		a, b := want.Cohorts[i], got.Cohorts[i]
		if d := a.ThermalTime - b.ThermalTime; d < -1e-9 || d > 1e-9 || a.Stage != b.Stage {
			t.Errorf("undisturbed %s %.12f, restarted %s %.12f", a.Stage, a.ThermalTime, b.Stage, b.ThermalTime)
		}
	}
	r.stop()
	raised := func(path string) map[string]int {
		n := map[string]int{}
		for _, s := range transitions(t, path) {
			if s.From == alerts.Normal {
				n[string(s.Key.Condition)+" "+string(s.Key.Room)+" "+s.Key.Subject]++
			}
		}
		return n
	}
	if d := cmp.Diff(raised(calm.path), raised(r.path)); d != "" {
		t.Errorf("alarms raised undisturbed and restarted differ:\n%s", d)
	}
}

func TestReplayHasWhatTimeAloneBroughtAbout(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	for m := range 30 {
		r.air(testStart.Add(time.Duration(m)*time.Minute), 25, 70)
	}
	// Silence raises alarms that no event but the passing of time announces.
	r.tick(testStart.Add(2 * time.Hour))
	r.stop()
	r.start(testStart.Add(3 * time.Hour))
	r.tick(testStart.Add(3*time.Hour + time.Minute))
	r.stop()
	want := transitions(t, r.path)
	if len(want) == 0 {
		t.Fatal("two hours of silence raised nothing")
	}
	got := r.replayed()
	if d := cmp.Diff(want, got.Transitions); d != "" {
		t.Error(d)
	}
}

// What was recorded under another configuration, or by another version, may
// not be possible any more. The watch begins all the same, with all that is,
// and no number is given out twice.
func TestRestoreLeavesOutWhatIsRefused(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	hall := fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
		ID: "hall-1", Species: "danaus-plexippus", Start: testStart, StartStage: "egg", Individuals: 50,
		Placements: []population.Placement{{Room: "hall", From: testStart}},
	}}
	r.do(hall)
	for m := range 60 {
		r.air(minute(m), 36, 70)
		r.send("t/hall/a", "21.5", minute(m))
		r.tick(minute(m))
	}
	counted := func(id population.CohortID, seen int) {
		r.do(fold.RecordCount{Count: population.Count{Cohort: id, Time: minute(50), Stage: "egg", Seen: seen, Of: 50, By: "keeper"}})
	}
	counted("hall-1", 48)
	counted("monarch-1", 47)
	raised := len(transitions(t, r.path))
	if raised == 0 {
		t.Fatal("the story raises no alarm")
	}
	r.stop()
	db, err := sql.Open("sqlite", "file:"+r.path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.ExecContext(t.Context(), "DROP TRIGGER journal_is_not_deleted; DELETE FROM journal WHERE kind = 'configure'; DELETE FROM state"); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}

	text := strings.Replace(foldtest.Facility, "  - {id: hall, name: Hall}\n", "", 1)
	before, after, _ := strings.Cut(text, "  - id: hall-a\n")
	_, after, _ = strings.Cut(after, "people:")
	r.facility = foldtest.Parse(t, before+"people:"+after)
	r.start(minute(61))
	s := r.tick(minute(62))
	if len(s.Cohorts) != 1 || s.Cohorts[0].ID != "monarch-1" || s.Cohorts[0].Stage != "egg" {
		t.Errorf("cohorts %+v, want that of the nursery", s.Cohorts)
	}
	heat := alerts.Key{Condition: "heat", Room: "nursery"}
	if !slices.ContainsFunc(s.Alarms, func(a snapshot.Alarm) bool { return a.Key == heat && a.Active }) {
		t.Errorf("the heat of the nursery is not among %+v", s.Alarms)
	}
	counted("monarch-1", 46)
	counts, err := r.records().LoadCounts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var seen []int
	for _, c := range counts {
		seen = append(seen, c.Seen)
	}
	if d := cmp.Diff([]int{48, 47, 46}, seen); d != "" {
		t.Errorf("counts in the records:\n%s", d)
	}
}
