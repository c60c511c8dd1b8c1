package records

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/sensors"
)

// twoYears fills a store with a day's worth of details every ten days: a link
// that flaps, a person's count, an alarm that is over with its notice, and
// curve marks. One alarm stands since the first day.
func twoYears(t *testing.T, s *Store) (now time.Time) {
	t.Helper()
	standing := alerts.Key{Condition: "store_failing"}
	for n := range int64(73) {
		at := day0.AddDate(0, 0, 10*int(n))
		key := alerts.Key{Condition: "heat", Room: "nursery"}
		b := &Batch{
			Clock: at,
			Journal: []JournalEntry{{Arrival: at, Kind: "link"}, {Arrival: at, Kind: "presence"},
				{Arrival: at, Kind: "count", Who: "Ada"}, {Arrival: at, Kind: "limits", Who: "configuration"}},
			Alarms: []AlarmRow{{Key: key, Occurrence: 10 + n, Closed: true, RaisedAt: at, State: json.RawMessage(`{"long":1}`)}},
			Transitions: []AlarmTransition{
				{Key: key, Occurrence: 10 + n, Time: at, From: alerts.Normal, To: alerts.Unacknowledged, Annunciate: true},
				{Key: key, Occurrence: 10 + n, Time: at, From: alerts.Unacknowledged, To: alerts.Normal},
				{Key: standing, Occurrence: 1, Time: at, From: alerts.Normal, To: alerts.Unacknowledged, Annunciate: true},
			},
			Outbox: []notify.Notice{
				{Key: fmt.Sprintf("over-%d", n), Occurrence: 10 + n, Channel: "mail", CreatedAt: at, DueAt: at, State: notify.Delivered, DoneAt: at},
				{Key: fmt.Sprintf("standing-%d", n), Occurrence: 1, Channel: "mail", CreatedAt: at, DueAt: at, State: notify.Delivered, DoneAt: at},
				{Key: fmt.Sprintf("pending-%d", n), Occurrence: 10 + n, Channel: "hook", CreatedAt: at, DueAt: at},
			},
			State: map[string][]byte{},
		}
		if n == 0 {
			b.Alarms = append(b.Alarms, AlarmRow{Key: standing, Occurrence: 1, Active: true, RaisedAt: at, State: json.RawMessage(`{"long":2}`)})
		}
		for day := range 10 {
			name := MarkPrefix + "nursery/" + at.AddDate(0, 0, day).Format(time.DateOnly)
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
	s := openTest(t, Options{Synchronous: Normal})
	now := twoYears(t, s)
	totals, err := s.OutboxTotals(ctx)
	if err != nil {
		t.Fatal(err)
	}
	before := now.AddDate(0, 0, -400)
	if err := s.Condense(ctx, Keep{Now: now, DetailDays: 400}); err != nil {
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
		`SELECT count(*) FROM occurrence WHERE state <> 'null'`:                      42,
		`SELECT sum(calls) FROM occurrence`:                                          32,
		`SELECT count(*) FROM outbox WHERE key LIKE 'over%'`:                         41,
		`SELECT count(*) FROM outbox WHERE key LIKE 'standing%' OR key LIKE 'pend%'`: 2 * 73,
		`SELECT count(*) FROM state WHERE name LIKE 'mark/%'`:                        52 + 23,
	} {
		var got int
		if err := s.db.QueryRow(query).Scan(&got); err != nil || got != want {
			t.Errorf("%s: %d, want %d: %v", query, got, want, err)
		}
	}
	after, err := s.OutboxTotals(ctx)
	if d := cmp.Diff(totals, after); err != nil || d != "" {
		t.Errorf("notices counted: %v (-before +after):\n%s", err, d)
	}
	condensed, err := s.Condensed(ctx)
	if d := cmp.Diff(Condensed{before, before, before}, condensed); err != nil || d != "" {
		t.Errorf("condensed: %v (-want +got):\n%s", err, d)
	}
	for _, query := range []string{
		`DELETE FROM journal WHERE who = 'Ada'`,
		fmt.Sprintf(`DELETE FROM journal WHERE kind = 'link' AND arrival >= %d`, before.UnixMilli()),
		fmt.Sprintf(`DELETE FROM alarm_transition WHERE time >= %d`, before.UnixMilli()),
	} {
		if _, err := s.conn.ExecContext(ctx, query); err == nil {
			t.Errorf("%s is allowed", query)
		}
	}
	// Kept for ever is kept for ever, and a second pass finds nothing.
	rows := dump(t, s)
	for _, days := range []int{400, 0} {
		if err := s.Condense(ctx, Keep{Now: now, DetailDays: days}); err != nil {
			t.Fatal(err)
		}
	}
	if d := cmp.Diff(rows, dump(t, s)); d != "" {
		t.Errorf("a second pass changes something (-before +after):\n%s", d)
	}
}

// Readings that are ahead of the clock are neither rolled nor deleted.
func TestRetainKeepsWhatIsNewer(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	var all []sensors.Reading
	for day := range 30 {
		at := day0.AddDate(0, 0, day)
		all = append(all, reading("a", sensors.Temperature, at, day0, 20, 20))
	}
	commit(t, s, &Batch{Readings: all})
	now := day0.AddDate(0, 0, 10)
	if _, err := s.Roll(ctx, now); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Retain(ctx, Retention{Now: now, HistoryDays: 3}); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(all[7:], scanAll(t, s.Reader, day0, day0.AddDate(1, 0, 0))); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if n := countRows(t, s, "hot"); n != 20 {
		t.Errorf("%d readings are hot, want the 20 from the tenth day on", n)
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
				texts, err := steps()
				if err != nil {
					t.Fatal(err)
				}
				execFile(t, path, append(texts[:3:3], fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = 3", applicationID))...)
			}
			s, err := Open(ctx, path, Options{Synchronous: Normal})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			big := make([]byte, 100_000)
			for n := range 200 {
				commit(t, s, &Batch{State: map[string][]byte{fmt.Sprintf("%sbig/2020-01-%02d", MarkPrefix, 2+n%25) + fmt.Sprint(n): big}})
			}
			commit(t, s, batchNumber(1))
			want := scanAll(t, s.Reader, day0, day0.AddDate(1, 0, 0))
			if _, err := s.conn.ExecContext(ctx, `DELETE FROM state`); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				if err := s.Shrink(ctx); err != nil {
					t.Fatal(err)
				}
			}
			info, err := os.Stat(path)
			if err != nil || info.Size() > 1<<20 {
				t.Errorf("the file has %d bytes: %v", info.Size(), err)
			}
			if d := cmp.Diff(want, scanAll(t, s.Reader, day0, day0.AddDate(1, 0, 0))); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
			at, err := s.space(ctx)
			if err != nil || !at.incremental {
				t.Errorf("%+v, %v: it cannot be given back in small steps", at, err)
			}
			var sound string
			if err := s.db.QueryRow(`PRAGMA integrity_check`).Scan(&sound); err != nil || sound != "ok" {
				t.Errorf("integrity: %s, %v", sound, err)
			}
		})
	}
}
