package records

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

var day0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func openTest(t testing.TB, opts Options) *Store {
	t.Helper()
	s, err := Open(context.Background(), filepath.Join(t.TempDir(), "records.db"), opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func commit(t testing.TB, s *Store, b *Batch) {
	t.Helper()
	if err := s.Commit(context.Background(), b); err != nil {
		t.Fatal(err)
	}
}

func reading(sensor string, q sensors.Quantity, at, arrival time.Time, raw, value float64) sensors.Reading {
	return sensors.Reading{Series: sensors.Series{Sensor: sensors.SensorID(sensor), Quantity: q},
		Time: at, Arrival: arrival, Raw: raw, Value: value, Flag: sensors.Pass}
}

func scanAll(t testing.TB, r *Reader, from, to time.Time, series ...sensors.Series) []sensors.Reading {
	t.Helper()
	var got []sensors.Reading
	for rd, err := range r.Scan(context.Background(), series, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, rd)
	}
	return got
}

func TestBatchComesBackAfterReopening(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "a ?#% folder", "records.db")
	if err := os.Mkdir(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := day0.Add(90 * time.Minute)
	key := alerts.Key{Condition: "heat", Room: "nursery", Subject: "nursery-north"}
	b := &Batch{
		Clock: at,
		Readings: []sensors.Reading{
			reading("a", sensors.Temperature, at, at.Add(time.Second), 27.25, 27.5),
			reading("a", sensors.RelativeHumidity, at, at.Add(time.Second), 68, 68),
			reading("b", sensors.Temperature, at.Add(-time.Minute), at, -12.375, -12.375),
		},
		Journal: []JournalEntry{
			{Arrival: at, Kind: "link-up"},
			{Arrival: at, Kind: "acknowledge", Who: "Ada", Body: json.RawMessage(`{"who":"Ada"}`)},
		},
		Alarms: []AlarmRow{
			{Key: key, Occurrence: 7, Priority: alerts.High, State: json.RawMessage(`{"state":"unacknowledged"}`), Active: true, RaisedAt: at},
			{Key: alerts.Key{Condition: "cold", Room: "nursery"}, Priority: alerts.Low, State: json.RawMessage(`{"waiting":true}`)},
		},
		Transitions: []AlarmTransition{{Key: key, Occurrence: 7, Time: at, From: alerts.Normal, To: alerts.Unacknowledged, Reason: "31 °C", Event: alerts.EventRaise, Annunciate: true, Priority: alerts.High}},
		Outbox:      []notify.Notice{{Key: "7/1/ada/mail", Occurrence: 7, Channel: "mail", Recipient: "ada", Payload: json.RawMessage(`{"s":1}`), CreatedAt: at, DueAt: at}},
		Cohorts: []population.Cohort{{ID: "atlas-3", Species: "attacus-atlas", Start: at, StartStage: "egg", Individuals: 52,
			Placements: []population.Placement{{Room: "nursery", From: at}}, Note: "from Ada"}},
		Counts:       []population.Count{{ID: 3, Cohort: "atlas-3", Time: at, Stage: "larva-1", Seen: 40, Of: 52, By: "Ada"}},
		Calibrations: []Calibration{{Series: sensors.Series{Sensor: "a", Quantity: sensors.Temperature}, From: at, Offset: 0.25, Gain: 1, Details: json.RawMessage(`{"reference":"ice"}`)}},
		State:        map[string][]byte{"progress": {0, 1, 2}, "empty": nil},
	}
	commit(t, s, b)
	if b.Journal[0].Seq != 1 || b.Journal[1].Seq != 2 {
		t.Errorf("journal entries are numbered %d and %d, want 1 and 2", b.Journal[0].Seq, b.Journal[1].Seq)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(ctx, b); !errors.Is(err, ErrClosed) {
		t.Errorf("commit after closing: %v, want ErrClosed", err)
	}
	s, err = Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()

	equal := func(what string, got, want any, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if d := cmp.Diff(want, got, cmp.AllowUnexported(JournalEntry{})); d != "" {
			t.Errorf("%s (-want +got):\n%s", what, d)
		}
	}
	equal("readings", scanAll(t, s.Reader, day0, day0.AddDate(0, 0, 1)),
		[]sensors.Reading{b.Readings[2], b.Readings[0], b.Readings[1]}, nil)
	var journal []JournalEntry
	for e, err := range s.Journal(ctx, day0, day0.AddDate(0, 0, 1)) {
		if err != nil {
			t.Fatal(err)
		}
		journal = append(journal, e)
	}
	want := []JournalEntry{b.Journal[0], b.Journal[1]}
	want[0].Body = json.RawMessage("null")
	equal("journal", journal, want, nil)
	alarms, err := s.Reader.LoadAlarms(context.Background())
	equal("alarms", alarms, []AlarmRow{b.Alarms[1], b.Alarms[0]}, err)
	history, err := s.AlarmHistory(ctx, day0, day0.AddDate(0, 0, 1))
	equal("alarm history", history, b.Alarms[:1], err)
	transitions, err := s.AlarmTransitions(ctx, day0, day0.AddDate(0, 0, 1))
	equal("transitions", transitions, b.Transitions, err)
	notice := b.Outbox[0]
	notice.ID, notice.State = 1, notify.Pending
	equal("notices", dueNotices(t, s.Reader, at, 10), []notify.Notice{notice}, nil)
	cohorts, err := s.LoadCohorts(ctx)
	equal("cohorts", cohorts, b.Cohorts, err)
	counts, err := s.LoadCounts(ctx)
	equal("counts", counts, b.Counts, err)
	calibrations, err := s.LoadCalibrations(ctx)
	equal("calibrations", calibrations, b.Calibrations, err)
	state, err := s.LoadState(ctx, "progress")
	equal("state", state, []byte{0, 1, 2}, err)
	empty, err := s.LoadState(ctx, "empty")
	equal("empty state", empty, []byte{}, err)
	if _, err := s.LoadState(ctx, "nothing"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown state: %v, want ErrNotFound", err)
	}
	marks, err := s.LoadMarks(ctx)
	equal("marks", marks, Marks{Clock: at, Occurrence: 7, Count: 3, Journal: 2}, err)
}

func TestDuplicatesChangeNothing(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	first := reading("a", sensors.Temperature, day0, day0, 20, 20)
	again := reading("a", sensors.Temperature, day0, day0.Add(time.Hour), 99, 99)
	commit(t, s, &Batch{Readings: []sensors.Reading{first, again}})
	commit(t, s, &Batch{Readings: []sensors.Reading{again}})
	if d := cmp.Diff([]sensors.Reading{first}, scanAll(t, s.Reader, day0, day0.Add(time.Hour))); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	for _, c := range []struct {
		series sensors.Series
		at     time.Time
		want   bool
	}{
		{first.Series, day0, true},
		{first.Series, day0.Add(time.Millisecond), false},
		{sensors.Series{Sensor: "a", Quantity: sensors.Battery}, day0, false},
		{sensors.Series{Sensor: "b", Quantity: sensors.Temperature}, day0, false},
	} {
		if got, err := s.Has(ctx, c.series, c.at); err != nil || got != c.want {
			t.Errorf("Has(%v, %v) = %v, %v, want %v", c.series, c.at, got, err, c.want)
		}
	}
}

func TestFailedBatchLeavesNothing(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	good := reading("a", sensors.Temperature, day0, day0, 20, 20)
	bad := &Batch{
		Readings: []sensors.Reading{good},
		Outbox:   []notify.Notice{{Key: "k", Channel: "mail", Payload: json.RawMessage("{"), CreatedAt: day0, DueAt: day0}},
	}
	if err := s.Commit(ctx, bad); err == nil {
		t.Fatal("a notice that is not JSON was stored")
	}
	if got := scanAll(t, s.Reader, day0, day0.Add(time.Hour)); len(got) != 0 {
		t.Errorf("half a batch was stored: %v", got)
	}
	// The series that the failed batch had numbered must be numbered anew.
	bad.Outbox[0].Payload = json.RawMessage("{}")
	commit(t, s, bad)
	if got := scanAll(t, s.Reader, day0, day0.Add(time.Hour)); len(got) != 1 {
		t.Errorf("got %v, want the one reading", got)
	}
	for name, change := range map[string]func(*sensors.Reading){
		"sensor":   func(r *sensors.Reading) { r.Sensor = "" },
		"quantity": func(r *sensors.Reading) { r.Quantity = 0 },
		"flag":     func(r *sensors.Reading) { r.Flag = 0 },
		"time":     func(r *sensors.Reading) { r.Time = time.Time{} },
	} {
		r := good
		change(&r)
		if err := s.Commit(ctx, &Batch{Readings: []sensors.Reading{r}}); err == nil {
			t.Errorf("a reading without %s was stored", name)
		}
	}
}

func TestNotANumberComesBackAsSuch(t *testing.T) {
	s := openTest(t, Options{})
	r := reading("a", sensors.Temperature, day0, day0, math.NaN(), math.Inf(1))
	r.Flag = sensors.Missing
	commit(t, s, &Batch{Readings: []sensors.Reading{r}})
	got := scanAll(t, s.Reader, day0, day0.Add(time.Hour))
	if len(got) != 1 || !math.IsNaN(got[0].Raw) || !math.IsInf(got[0].Value, 1) || got[0].Flag != sensors.Missing {
		t.Errorf("got %v", got)
	}
}
