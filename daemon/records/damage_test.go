package records

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

// threeDays fills a store with two sensors for three days, one reading every
// two hours, and rolls them.
func threeDays(t *testing.T, s *Store) (all []sensors.Reading) {
	t.Helper()
	for h := range 36 {
		at := day0.Add(time.Duration(2*h) * time.Hour)
		for _, sensor := range []string{"hall-a", "nursery-a"} {
			all = append(all, reading(sensor, sensors.Temperature, at, at.Add(time.Second), float64(h), float64(h)))
		}
	}
	commit(t, s, &Batch{Readings: all, Clock: day0.AddDate(0, 0, 3)})
	if _, err := s.Roll(context.Background(), day0.AddDate(0, 0, 3)); err != nil {
		t.Fatal(err)
	}
	return all
}

// without are the readings but those of a sensor on the day after day0.
func without(all []sensors.Reading, sensor sensors.SensorID) (rest []sensors.Reading) {
	for _, r := range all {
		if r.Sensor != sensor || r.Time.Sub(day0)/(24*time.Hour) != 1 {
			rest = append(rest, r)
		}
	}
	return rest
}

// wantHistory demands these readings of both scans, and of Has.
func wantHistory(t *testing.T, s *Store, want []sensors.Reading) {
	t.Helper()
	from, to := day0, day0.AddDate(0, 0, 9)
	if d := cmp.Diff(want, scanAll(t, s.Reader, from, to)); d != "" {
		t.Errorf("by time (-want +got):\n%s", d)
	}
	got, err := scanArrivals(s.Reader, from, to)
	if err != nil || len(got) != len(want) {
		t.Errorf("by arrival: %d readings, want %d: %v", len(got), len(want), err)
	}
	for _, r := range want {
		if has, err := s.Has(context.Background(), r.Series, r.Time); err != nil || !has {
			t.Errorf("Has(%s, %v) = %v, %v", r.Sensor, r.Time, has, err)
		}
	}
}

// One chunk is damaged: its day is named, everything else is read, what comes
// late for that day is kept beside it, and its bytes are never lost.
func TestDamagedChunkIsPutOutOfTheWay(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "records.db")
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { s.Close() }()
	all := threeDays(t, s)
	// One byte in the middle of a chunk becomes another.
	const damaging = `UPDATE chunk SET data = CAST(substr(data, 1, 20) || x'ff' || substr(data, 22) AS BLOB)
		WHERE day = ? AND series = (SELECT id FROM series WHERE sensor = 'nursery-a')`
	if _, err := s.conn.ExecContext(ctx, damaging, dayOf(day0.UnixMilli())+1); err != nil {
		t.Fatal(err)
	}
	const text = "readings of sensor nursery-a of 2 March 2026 cannot be read"
	lost := reading("nursery-a", sensors.Temperature, day0.Add(26*time.Hour), day0, 0, 0)
	if has, err := s.Has(ctx, lost.Series, lost.Time); has || err != nil {
		t.Errorf("Has of what cannot be read: %v, %v", has, err)
	}
	wantHistory(t, s, without(all, "nursery-a"))
	if got := s.Trouble().Damage; got != text {
		t.Errorf("it says %q, want %q", got, text)
	}
	// Corrections of what cannot be read change nothing and fail nothing.
	commit(t, s, &Batch{Reflags: []Reflag{{Series: lost.Series, Time: lost.Time, Flag: sensors.Fail}},
		Revalues: []Revalue{{Series: lost.Series, From: day0.AddDate(0, 0, 1), Value: func(_ time.Time, raw float64) float64 { return raw }}}})
	late := reading("nursery-a", sensors.Temperature, day0.Add(25*time.Hour), day0.AddDate(0, 0, 5), 7, 7)
	commit(t, s, &Batch{Readings: []sensors.Reading{late}})
	want := slices.Insert(without(all, "nursery-a"), 25, late)
	wantHistory(t, s, want)
	if _, err := s.Roll(ctx, day0.AddDate(0, 0, 3)); err != nil {
		t.Fatal(err)
	}
	wantHistory(t, s, want)
	var kept int
	if err := s.db.QueryRow(`SELECT count(*) FROM quarantine WHERE readings = 12 AND length(data) > 20`).Scan(&kept); err != nil || kept != 1 {
		t.Errorf("%d chunks are kept aside, want 1: %v", kept, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// It is told until somebody takes note.
	for _, told := range []string{text, ""} {
		if s, err = Open(ctx, path, Options{}); err != nil {
			t.Fatal(err)
		}
		if got := s.Trouble(); got != (Trouble{Damage: told}) {
			t.Errorf("after opening again: %+v, want %q", got, told)
		}
		commit(t, s, &Batch{Adopt: true})
		if got := s.Trouble(); got != (Trouble{}) {
			t.Errorf("after taking note: %+v", got)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// Pages of the file are damaged one after the other: no read of history ends
// in a failure or gives anything that was not stored, and every day that is
// missing is named.
func TestDamagedPagesAreLeftOut(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "whole.db")
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	all := threeDays(t, s)
	for i := range 2000 {
		at := day0.AddDate(0, 0, 4).Add(time.Duration(i) * time.Second)
		all = append(all, reading("hall-a", sensors.Temperature, at, at, 1, 1))
	}
	commit(t, s, &Batch{Readings: all[72:]})
	var pages []int
	for _, table := range []string{"chunk", "hot"} {
		var root int
		if err := s.db.QueryRow(`SELECT rootpage FROM sqlite_schema WHERE name = ?`, table).Scan(&root); err != nil {
			t.Fatal(err)
		}
		pages = append(pages, root)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const pageSize = 4096
	stored := make(map[string]bool)
	for _, r := range all {
		stored[fmt.Sprint(r)] = true
	}
	left := 0
	// The leaves of the hot table come last in the file.
	for n := len(whole)/pageSize - 6; n < len(whole)/pageSize; n++ {
		pages = append(pages, n)
	}
	for _, page := range pages {
		damaged := bytes.Clone(whole)
		for i := range pageSize {
			damaged[(page-1)*pageSize+i] = byte(i * 7)
		}
		bad := filepath.Join(t.TempDir(), "damaged.db")
		if err := os.WriteFile(bad, damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := OpenReader(ctx, bad)
		if err != nil {
			continue // found at once
		}
		seen := 0
		for got, err := range r.Scan(ctx, nil, day0, day0.AddDate(0, 0, 9)) {
			if err != nil {
				if !strings.Contains(err.Error(), ErrCorrupt.Error()) {
					t.Errorf("page %d: %v", page, err)
				}
				break
			}
			if seen++; !stored[fmt.Sprint(got)] {
				t.Fatalf("page %d: %+v was never stored", page, got)
			}
		}
		if has, err := r.Has(ctx, all[80].Series, all[80].Time); err != nil {
			t.Errorf("page %d: Has: %v, %v", page, has, err)
		}
		if seen < len(all) && seen > 0 {
			left++
			if r.Damage() == "" {
				t.Errorf("page %d: %d of %d readings are there, and nothing is said", page, seen, len(all))
			}
		}
		r.Close()
	}
	if left == 0 {
		t.Error("no page took a part of history; the test shows nothing")
	}
}

// Entries of the journal and blobs that are not what was stored are known as
// such.
func TestDamagedEntriesAreKnown(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	commit(t, s, &Batch{
		Journal: []JournalEntry{{Arrival: day0, Kind: "link"}, {Arrival: day0.Add(time.Minute), Kind: "count", Who: "Ada", Body: []byte(`{"seen":40}`)}},
		State:   map[string][]byte{"fold": []byte(`{"clock":1}`), "other": {}},
	})
	damaged := func() (list []bool) {
		for e, err := range s.Journal(ctx, day0, day0.AddDate(0, 0, 1)) {
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, e.Damage() != "")
		}
		return list
	}
	if d := cmp.Diff([]bool{false, false}, damaged()); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	for _, query := range []string{
		`DROP TRIGGER journal_is_not_changed`,
		`UPDATE journal SET body = '{"seen":48}' WHERE seq = 2`,
		`UPDATE state SET body = CAST('{"clock":3}' AS BLOB) WHERE name = 'fold'`,
	} {
		if _, err := s.conn.ExecContext(ctx, query); err != nil {
			t.Fatal(err)
		}
	}
	if d := cmp.Diff([]bool{false, true}, damaged()); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if body, err := s.LoadState(ctx, "fold"); err == nil || !strings.Contains(err.Error(), "checksum") {
		t.Errorf("a changed blob is read as %s: %v", body, err)
	}
	if _, err := s.LoadState(ctx, "other"); err != nil {
		t.Error(err)
	}
}
