package upkeep

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

var day0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func open(t *testing.T, path string) *records.Store {
	t.Helper()
	s, err := records.Open(t.Context(), path, records.Options{Synchronous: records.Normal})
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

func commit(t *testing.T, s *records.Store, b *records.Batch) {
	t.Helper()
	if err := s.Commit(t.Context(), b); err != nil {
		t.Fatal(err)
	}
}

// execute changes the file without anything of this package.
func execute(t *testing.T, s *records.Store, query string) error {
	t.Helper()
	return s.Write(t.Context(), func(ctx context.Context, c *sql.Conn) error {
		_, err := c.ExecContext(ctx, query)
		return err
	})
}

func one[T any](t *testing.T, s *records.Store, query string) T {
	t.Helper()
	list, err := column[T](t.Context(), s, query)
	if err != nil || len(list) != 1 {
		t.Fatalf("%s: %v, %v", query, list, err)
	}
	return list[0]
}

// twoYears fills a store with a day's worth of details every ten days: a link
// that flaps, a person's count, an alarm that is over with its notice, and
// curve marks. One alarm stands since the first day.
func twoYears(t *testing.T, s *records.Store) (now time.Time) {
	t.Helper()
	standing := alerts.Key{Condition: "store_failing"}
	for n := range int64(73) {
		at := day0.AddDate(0, 0, 10*int(n))
		key := alerts.Key{Condition: "heat", Room: "nursery"}
		b := &records.Batch{
			Clock: at,
			Journal: []records.JournalEntry{{Arrival: at, Kind: "link"}, {Arrival: at, Kind: "presence"},
				{Arrival: at, Kind: "count", Who: "Ada"}, {Arrival: at, Kind: "limits", Who: "configuration"}},
			Alarms: []records.AlarmRow{{Key: key, Occurrence: 10 + n, Closed: true, RaisedAt: at, State: json.RawMessage(`{"long":1}`)}},
			Transitions: []records.AlarmTransition{
				{Key: key, Occurrence: 10 + n, Time: at, From: alerts.Normal, To: alerts.Unacknowledged, Annunciate: true},
				{Key: key, Occurrence: 10 + n, Time: at, From: alerts.Unacknowledged, To: alerts.Normal},
				{Key: standing, Occurrence: 1, Time: at, From: alerts.Normal, To: alerts.Unacknowledged, Annunciate: true},
			},
			Outbox: []notify.Notice{
				{Key: fmt.Sprintf("over-%d", n), Occurrence: 10 + n, Channel: "mail", CreatedAt: at, DueAt: at, State: notify.Delivered, DoneAt: at},
				{Key: fmt.Sprintf("standing-%d", n), Occurrence: 1, Channel: "mail", CreatedAt: at, DueAt: at, State: notify.Delivered, DoneAt: at},
				{Key: fmt.Sprintf("pending-%d", n), Occurrence: 10 + n, Channel: "hook", CreatedAt: at, DueAt: at},
			},
			State:     map[string][]byte{},
			Incidents: []records.IncidentRow{{Incident: incidents.Incident{Number: 10 + n, BeganAt: at, EndedAt: at}}},
		}
		if n == 0 {
			b.Alarms = append(b.Alarms, records.AlarmRow{Key: standing, Occurrence: 1, Active: true, RaisedAt: at, State: json.RawMessage(`{"long":2}`)})
		}
		for day := range 10 {
			name := records.MarkPrefix + "nursery/" + at.AddDate(0, 0, day).Format(time.DateOnly)
			b.State[name] = []byte("{}")
		}
		commit(t, s, b)
		now = at
	}
	return now
}

// What is old goes, but for what a person did, what belongs to an alarm that
// stands, and counts.
func TestDetailsAreCondensed(t *testing.T) {
	ctx := context.Background()
	s := open(t, filepath.Join(t.TempDir(), "records.db"))
	now := twoYears(t, s)
	totals, err := s.OutboxTotals(ctx)
	if err != nil {
		t.Fatal(err)
	}
	before := now.AddDate(0, 0, -400)
	if err := Condense(ctx, s, Keep{Now: now, DetailDays: 400}); err != nil {
		t.Fatal(err)
	}
	// Of 73 times ten days 41 are within the last 400. Of the curves 52 days
	// are recent and 23 begin a month.
	for query, want := range map[string]int{
		`SELECT count(*) FROM journal WHERE kind IN ('link', 'presence')`:            2 * 41,
		`SELECT count(*) FROM journal WHERE who <> ''`:                               2 * 73,
		`SELECT count(*) FROM alarm_transition WHERE occurrence = 1`:                 73,
		`SELECT count(*) FROM alarm_transition WHERE occurrence > 1`:                 2 * 41,
		`SELECT count(*) FROM occurrence`:                                            74,
		`SELECT count(*) FROM incident`:                                              73,
		`SELECT count(*) FROM occurrence WHERE state <> 'null'`:                      42,
		`SELECT sum(calls) FROM occurrence`:                                          32,
		`SELECT count(*) FROM outbox WHERE key LIKE 'over%'`:                         41,
		`SELECT count(*) FROM outbox WHERE key LIKE 'standing%' OR key LIKE 'pend%'`: 2 * 73,
		`SELECT count(*) FROM state WHERE name LIKE 'mark/%'`:                        52 + 23,
	} {
		if got := one[int](t, s, query); got != want {
			t.Errorf("%s: %d, want %d", query, got, want)
		}
	}
	after, err := s.OutboxTotals(ctx)
	if d := cmp.Diff(totals, after); err != nil || d != "" {
		t.Errorf("notices counted: %v (-before +after):\n%s", err, d)
	}
	condensed, err := s.Condensed(ctx)
	if d := cmp.Diff(records.Condensed{Journal: before, Steps: before, Notices: before}, condensed); err != nil || d != "" {
		t.Errorf("condensed: %v (-want +got):\n%s", err, d)
	}
	for _, query := range []string{
		`DELETE FROM journal WHERE who = 'Ada'`,
		fmt.Sprintf(`DELETE FROM journal WHERE kind = 'link' AND arrival >= %d`, before.UnixMilli()),
		fmt.Sprintf(`DELETE FROM alarm_transition WHERE time >= %d`, before.UnixMilli()),
	} {
		if execute(t, s, query) == nil {
			t.Errorf("%s is allowed", query)
		}
	}
	// Kept for ever is kept for ever, and a second pass finds nothing.
	went := one[int](t, s, `SELECT sum(went) FROM condensed`)
	for _, days := range []int{400, 0} {
		if err := Condense(ctx, s, Keep{Now: now, DetailDays: days}); err != nil {
			t.Fatal(err)
		}
	}
	if again := one[int](t, s, `SELECT sum(went) FROM condensed`); again != went {
		t.Errorf("a second pass lets %d more go", again-went)
	}
}

// Something that flaps for weeks is bounded, however young its entries are.
func TestFlappingIsBounded(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "records.db"))
	now := day0.AddDate(0, 0, 60)
	b := &records.Batch{Journal: []records.JournalEntry{{Arrival: day0, Kind: "count", Who: "Ada"}}}
	const most = 3000
	for i := range most + 1500 {
		at := day0.Add(time.Duration(i) * 10 * time.Minute)
		b.Journal = append(b.Journal, records.JournalEntry{Arrival: at, Kind: "presence"})
		b.Incidents = append(b.Incidents, records.IncidentRow{Incident: incidents.Incident{Number: int64(i), BeganAt: at, EndedAt: at}})
	}
	commit(t, s, b)
	if err := Condense(t.Context(), s, Keep{Now: now, DetailDays: 400, DetailRows: most}); err != nil {
		t.Fatal(err)
	}
	for _, query := range []string{`SELECT count(*) FROM journal WHERE kind = 'presence'`, `SELECT count(*) FROM incident`} {
		if got := one[int](t, s, query); got > most || got < most-10 {
			t.Errorf("%s: %d are left, want %d", query, got, most)
		}
	}
	if got := one[int](t, s, `SELECT count(*) FROM journal WHERE who = 'Ada'`); got != 1 {
		t.Error("what a person did is gone")
	}
}

// A file of which most was deleted gives the space back, also one of an older
// version, and nothing is lost.
func TestSpaceIsGivenBack(t *testing.T) {
	ctx := context.Background()
	for name, older := range map[string]bool{"new": false, "older": true} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "records.db")
			if older {
				db, err := sql.Open("sqlite", path)
				if err != nil {
					t.Fatal(err)
				}
				// The way in which space is given back is chosen with the first table.
				if _, err := db.Exec(`PRAGMA auto_vacuum = NONE; CREATE TABLE first (x); DROP TABLE first`); err != nil {
					t.Fatal(err)
				}
				db.Close()
			}
			s := open(t, path)
			big := make([]byte, 100_000)
			for n := range 200 {
				commit(t, s, &records.Batch{State: map[string][]byte{fmt.Sprintf("%sbig/2020-01-%02d", records.MarkPrefix, 2+n%25) + fmt.Sprint(n): big}})
			}
			var all []sensors.Reading
			for i := range 200 {
				at := day0.Add(time.Duration(i) * time.Minute)
				all = append(all, sensors.Reading{Series: sensors.Series{Sensor: "a", Quantity: sensors.Temperature}, Time: at, Arrival: at, Raw: 20, Value: 20, Flag: sensors.Pass})
			}
			commit(t, s, &records.Batch{Readings: all})
			if err := execute(t, s, `DELETE FROM state`); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				if err := Shrink(ctx, s); err != nil {
					t.Fatal(err)
				}
			}
			info, err := os.Stat(path)
			if err != nil || info.Size() > 1<<20 {
				t.Errorf("the file has %d bytes: %v", info.Size(), err)
			}
			var got []sensors.Reading
			for r, err := range s.Scan(ctx, nil, day0, day0.AddDate(1, 0, 0)) {
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, r)
			}
			if d := cmp.Diff(all, got); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
			at, err := spaceOf(ctx, s)
			if err != nil || !at.incremental {
				t.Errorf("%+v, %v: it cannot be given back in small steps", at, err)
			}
			if sound := one[string](t, s, `PRAGMA integrity_check`); sound != "ok" {
				t.Errorf("integrity: %s", sound)
			}
		})
	}
}
