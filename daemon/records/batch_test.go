package records

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

// dump gives every row of every table as text, in the order of the file.
func dump(t testing.TB, s *Store) map[string][]string {
	t.Helper()
	names, err := collectNames(s)
	if err != nil {
		t.Fatal(err)
	}
	all := make(map[string][]string)
	for _, name := range names {
		if all[name], err = rowsOf(s, name); err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// rowsOf is every row of a table as text.
func rowsOf(s *Store, table string) ([]string, error) {
	rows, err := s.db.Query("SELECT * FROM " + table)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return nil, err
	}
	list := []string{}
	for rows.Next() {
		values := make([]any, len(columns))
		into := make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		if err := rows.Scan(into...); err != nil {
			return nil, err
		}
		list = append(list, fmt.Sprint(values...))
	}
	return list, rows.Err()
}

func collectNames(s *Store) (names []string, err error) {
	rows, err := s.db.Query("SELECT name FROM sqlite_schema WHERE type = 'table' AND name <> 'identity' ORDER BY name")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, err
		}
		names = append(names, name)
	}
	return names, rows.Err()
}

// joinable are batches of which each changes, repeats or corrects what those
// before it have stored.
func joinable() []*Batch {
	at := day0.Add(30 * time.Hour)
	key := alerts.Key{Condition: "heat", Room: "nursery"}
	first := reading("new", sensors.Temperature, at, at, 20, 20)
	again := reading("new", sensors.Temperature, at, at.Add(time.Hour), 99, 99)
	old := sensors.Series{Sensor: "s1", Quantity: sensors.Temperature}
	notice := notify.Notice{Key: "1/mail", Occurrence: 1, Channel: "mail", Payload: json.RawMessage(`{"n":1}`), CreatedAt: at, DueAt: at}
	shift := func(_ time.Time, raw float64) float64 { return raw + 0.5 }
	return []*Batch{
		{
			Clock: at, Readings: []sensors.Reading{first},
			Journal:      []JournalEntry{{Arrival: at, Kind: "link-up"}, {Arrival: at, Kind: "link-down"}},
			Alarms:       []AlarmRow{{Key: key, Occurrence: 1, Priority: alerts.High, Active: true, RaisedAt: at}},
			Transitions:  []AlarmTransition{{Key: key, Occurrence: 1, Time: at, From: alerts.Normal, To: alerts.Unacknowledged}},
			Outbox:       []notify.Notice{notice},
			Cohorts:      []population.Cohort{{ID: "atlas-3", Species: "attacus-atlas", Start: at, StartStage: "egg"}},
			Counts:       []population.Count{{ID: 1, Cohort: "atlas-3", Time: at, Stage: "egg", Seen: 40}},
			Calibrations: []Calibration{{Series: first.Series, From: at, Gain: 1}},
			State:        map[string][]byte{"progress": {1}},
		},
		{
			Clock: at.Add(time.Minute), Readings: []sensors.Reading{again},
			Reflags:  []Reflag{{first.Series, first.Time, sensors.Suspect}, {old, day0.Add(10 * time.Minute), sensors.Fail}},
			Revalues: []Revalue{{Series: first.Series, From: day0, Value: shift}, {Series: old, From: day0, Value: shift}},
			Outbox:   []notify.Notice{notice},
			Cohorts:  []population.Cohort{{ID: "atlas-3", Species: "attacus-atlas", Start: at, StartStage: "egg", Note: "moved"}},
		},
		{},
		{
			Readings:     []sensors.Reading{reading("newer", sensors.RelativeHumidity, at, at.Add(2*time.Minute), 60, 60)},
			Journal:      []JournalEntry{{Arrival: at.Add(2 * time.Minute), Kind: "acknowledge", Who: "Ada", Body: json.RawMessage(`{}`)}},
			Alarms:       []AlarmRow{{Key: key, Occurrence: 1, Priority: alerts.High, RaisedAt: at, ClearedAt: at.Add(time.Minute), Closed: true}},
			Outbox:       []notify.Notice{{Key: "2/mail", Occurrence: 1, Channel: "mail", CreatedAt: at, DueAt: at}},
			Counts:       []population.Count{{ID: 1, Cohort: "atlas-3", Time: at, Stage: "egg", Seen: 41}},
			Calibrations: []Calibration{{Series: first.Series, From: at, Offset: 0.25, Gain: 1}},
			State:        map[string][]byte{"progress": {2}},
		},
	}
}

// withRolledDay is a store that has a day in chunks and one that is hot.
func withRolledDay(t *testing.T) *Store {
	t.Helper()
	s := openTest(t, Options{Synchronous: Normal})
	for n := range int64(200) {
		commit(t, s, batchNumber(n+1))
	}
	if _, err := s.Roll(context.Background(), day0.AddDate(0, 0, 1)); err != nil {
		t.Fatal(err)
	}
	return s
}

func TestBatchesTogetherAreAsOneByOne(t *testing.T) {
	apart, together := withRolledDay(t), withRolledDay(t)
	before := dump(t, apart)
	one, all := joinable(), joinable()
	for _, b := range one {
		commit(t, apart, b)
	}
	if err := together.Commit(t.Context(), all...); err != nil {
		t.Fatal(err)
	}
	want := dump(t, apart)
	if d := cmp.Diff(want, dump(t, together)); d != "" {
		t.Errorf("the files differ (-one by one +together):\n%s", d)
	}
	for _, table := range []string{"hot", "chunk", "journal", "alarm_transition", "occurrence", "outbox", "cohort", "tally", "calibration", "state", "clock", "series"} {
		if cmp.Equal(before[table], want[table]) {
			t.Errorf("the batches change nothing in %s, so nothing is compared there", table)
		}
	}
	for i := range one {
		if d := cmp.Diff(one[i].Journal, all[i].Journal, cmp.AllowUnexported(JournalEntry{})); d != "" {
			t.Errorf("journal of batch %d (-one by one +together):\n%s", i, d)
		}
	}
	if err := together.Commit(t.Context()); err != nil {
		t.Errorf("no batches: %v", err)
	}
}

func TestFailureInTheThirdLeavesNothingOfTheFirst(t *testing.T) {
	s := withRolledDay(t)
	before := dump(t, s)
	for name, spoil := range map[string]func(*Batch){
		"before the transaction": func(b *Batch) { b.Readings = []sensors.Reading{{}} },
		"within it":              func(b *Batch) { b.Alarms = []AlarmRow{{State: json.RawMessage("{")}} },
	} {
		batches := joinable()
		spoil(batches[2])
		if err := s.Commit(t.Context(), batches...); err == nil {
			t.Fatalf("%s: a bad batch was stored", name)
		}
		if d := cmp.Diff(before, dump(t, s)); d != "" {
			t.Errorf("%s: part of it was stored (-before +after):\n%s", name, d)
		}
		for i, b := range batches {
			for _, e := range b.Journal {
				if e.Seq != 0 {
					t.Errorf("%s: batch %d has a journal number: %+v", name, i, e)
				}
			}
		}
	}
	// What was numbered in vain is numbered anew.
	if err := s.Commit(t.Context(), joinable()...); err != nil {
		t.Fatal(err)
	}
}
