package daemon

import (
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"rearguard/alerts/conditions"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// tamper changes the records behind the back of the engine.
func (r *rig) tamper(queries ...string) {
	r.t.Helper()
	db, err := sql.Open("sqlite", "file:"+r.path+"?_pragma=busy_timeout(5000)")
	if err != nil {
		r.t.Fatal(err)
	}
	defer db.Close()
	for _, query := range queries {
		if _, err := db.Exec(query); err != nil {
			r.t.Fatal(err)
		}
	}
}

// quarters lives for some quarters of an hour in good air.
func (r *rig) quarters(at *time.Time, n int) {
	for range n {
		*at = at.Add(15 * time.Minute)
		r.air(*at, 25, 70)
		r.ticks <- timekeeping.Right(*at)
	}
}

func damageTold(s *snapshot.Snapshot) *snapshot.Alarm {
	for i := range s.Alarms {
		if a := &s.Alarms[i]; a.Key.Condition == conditions.RecordsDamaged && a.Active {
			return a
		}
	}
	return nil
}

// A day of history is damaged and a reading of that day comes late: it is
// stored beside what is damaged, the loss is an alarm that a person ends, and
// the thermal time over it is estimated.
func TestDamagedDayAndLateReading(t *testing.T) {
	r := newRigOf(t, strings.ReplaceAll(foldtest.Facility, "interval: 60s", "interval: 15m"))
	at := testStart
	r.monarchs(testStart)
	r.quarters(&at, 3*96)
	r.records()
	if _, err := r.store.Roll(t.Context(), at.Add(-36*time.Hour)); err != nil {
		t.Fatal(err)
	}
	before := r.tick(at)
	if a := damageTold(before); a != nil {
		t.Fatalf("damage is told before there is any: %s", a.Detail)
	}
	r.tamper(`UPDATE chunk SET data = CAST(substr(data, 1, length(data)-3) || x'010203' AS BLOB)
		WHERE series IN (SELECT id FROM series WHERE sensor LIKE 'nursery-%' AND quantity = 'temperature') AND day = (SELECT max(day) FROM chunk)`)
	acked := r.acked.Load()
	late := testStart.Add(6*time.Hour + 7*time.Second)
	r.send("t/nursery/a", fmt.Sprintf(`{"ts":%d,"t":25,"h":70}`, late.Unix()), at)
	r.quarters(&at, 8)
	s := r.tick(at.Add(time.Second))
	r.records()
	if got := r.acked.Load(); got <= acked {
		t.Errorf("%d messages are acknowledged, %d were before", got, acked)
	}
	found := false
	for _, reading := range r.stored("nursery-a", sensors.Temperature) {
		found = found || reading.Time.Equal(late)
	}
	if !found {
		t.Error("the late reading is not stored")
	}
	alarm := damageTold(s)
	if alarm == nil {
		t.Fatalf("nothing tells of the damage: %+v", s.Alarms)
	}
	for _, words := range []string{"readings of sensor nursery-a of 1 May 2026", "cannot be read"} {
		if !strings.Contains(alarm.Detail, words) {
			t.Errorf("the alarm says %q, want %q", alarm.Detail, words)
		}
	}
	// Ten hours without a reading are no longer bridged by a line.
	if c := s.Cohorts[0]; c.Estimated < before.Cohorts[0].Estimated+2 || c.CatchingUp {
		t.Errorf("%v of %v is estimated, and %v was before", c.Estimated, c.ThermalTime, before.Cohorts[0].Estimated)
	}
	// After a restart it is all the same, and a person ends it.
	if err := r.store.Tend(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.stop()
	r.start(at.Add(time.Minute))
	at = at.Add(time.Minute)
	if damageTold(r.tick(at.Add(time.Second))) == nil {
		t.Error("after a restart nothing tells of the damage")
	}
	if err := r.engine.Do(t.Context(), fold.AdoptRecords{}); !errors.Is(err, fold.ErrRefused) {
		t.Errorf("adopted by nobody: %v", err)
	}
	r.do(fold.AdoptRecords{Who: "lead"})
	at = at.Add(15 * time.Minute)
	r.quarters(&at, 2)
	if a := damageTold(r.tick(at.Add(time.Second))); a != nil {
		t.Errorf("adopted, and it still stands: %s", a.Detail)
	}
	if err := r.engine.Do(t.Context(), fold.AdoptRecords{Who: "lead"}); !errors.Is(err, fold.ErrRefused) {
		t.Errorf("adopted a second time: %v", err)
	}
	r.stop()
	r.start(at.Add(time.Minute))
	if a := damageTold(r.tick(at.Add(time.Minute))); a != nil {
		t.Errorf("adopted, and after a restart it stands again: %s", a.Detail)
	}
}

// A checkpoint or an entry of the journal that is not what was stored is left
// out and told; what the whole ones say is there.
func TestDamagedCheckpointAndJournal(t *testing.T) {
	r := newRig(t)
	at := testStart
	r.monarchs(testStart)
	r.quarters(&at, 20)
	want := r.tick(at).Cohorts[0].ThermalTime
	r.records()
	r.stop()
	r.tamper(`UPDATE state SET body = CAST(replace(body, '25', '24') AS BLOB) WHERE name = 'fold'`,
		`DROP TRIGGER journal_is_not_changed`,
		`INSERT INTO journal (arrival, kind, who, body, sum) SELECT max(arrival) - 1000, 'move-cohort', 'keeper', '{"cohort":"monarch-1","room":"hall"}', 7 FROM journal`)
	r.start(at.Add(time.Second))
	s := r.tick(at.Add(2 * time.Second))
	if len(s.Cohorts) != 1 || s.Cohorts[0].Room != "nursery" || s.Cohorts[0].ThermalTime != want {
		t.Errorf("cohorts %+v, want one in the nursery with %v", s.Cohorts, want)
	}
	alarm := damageTold(s)
	if alarm == nil || !strings.Contains(alarm.Detail, "the kept state fold") || !strings.Contains(alarm.Detail, `"move-cohort" by "keeper"`) {
		t.Errorf("the alarm: %+v", alarm)
	}
}
