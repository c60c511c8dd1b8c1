package upkeep

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/records"
	"rearguard/sensors"
)

// temperature is a reading of 20 °C.
func temperature(sensor string, at, arrival time.Time) sensors.Reading {
	return sensors.Reading{
		Series: sensors.Series{Sensor: sensors.SensorID(sensor), Quantity: sensors.Temperature},
		Time:   at, Arrival: arrival, Raw: 20, Value: 20, Flag: sensors.Pass,
	}
}

func all(t *testing.T, s *records.Store, from, to time.Time) (list []sensors.Reading) {
	t.Helper()
	for r, err := range s.Scan(t.Context(), nil, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, r)
	}
	return list
}

func TestRetention(t *testing.T) {
	ctx := context.Background()
	s := open(t, filepath.Join(t.TempDir(), "records.db"))
	for n := range 10 * 144 {
		at := day0.Add(time.Duration(n+1) * 10 * time.Minute)
		b := &records.Batch{}
		for i := range 50 {
			b.Readings = append(b.Readings, temperature(fmt.Sprintf("s%d", i), at, at.Add(time.Second)))
		}
		commit(t, s, b)
	}
	if _, err := s.Roll(ctx, day0.AddDate(0, 0, 8)); err != nil {
		t.Fatal(err)
	}
	// A late reading of an old day is hot again.
	commit(t, s, &records.Batch{Readings: []sensors.Reading{temperature("late", day0, day0.AddDate(0, 0, 9))}})
	now := day0.AddDate(0, 0, 10).Add(time.Hour)
	if c, r, err := Retain(ctx, s, Retention{Now: now}); err != nil || c != 0 || r != 0 {
		t.Errorf("for ever: %d, %d, %v", c, r, err)
	}
	c, r, err := Retain(ctx, s, Retention{Now: now, HistoryDays: 5})
	if err != nil || c != 5*50 || r != 1 {
		t.Errorf("five days: %d chunks, %d readings, %v, want %d and 1", c, r, err, 5*50)
	}
	got := all(t, s, day0.AddDate(-1, 0, 0), now.AddDate(1, 0, 0))
	if want := day0.AddDate(0, 0, 5); len(got) != 50*(5*144+1) || !got[0].Time.Equal(want) {
		t.Errorf("%d readings from %v are left, want %d from %v", len(got), got[0].Time, 50*(5*144+1), want)
	}
}

// A clock that is a year ahead, or a facility that was closed for a season, must
// not cost the history.
func TestRetentionLeavesEnough(t *testing.T) {
	ctx := context.Background()
	s := open(t, filepath.Join(t.TempDir(), "records.db"))
	for day := range 100 {
		at := day0.AddDate(0, 0, day)
		commit(t, s, &records.Batch{Readings: []sensors.Reading{temperature("s", at, at)}})
	}
	if _, err := s.Roll(ctx, day0.AddDate(0, 0, 99)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		now  time.Time
		keep int
	}{
		{"a year ahead", day0.AddDate(1, 0, 100), 365},
		{"closed for the winter", day0.AddDate(0, 0, 250), 90},
	} {
		// A few readings of the present are there already.
		commit(t, s, &records.Batch{Readings: []sensors.Reading{temperature("s", c.now, c.now)}})
		chunks, hot, err := Retain(ctx, s, Retention{Now: c.now, HistoryDays: c.keep})
		if !errors.Is(err, ErrNotEnoughKept) || chunks+hot > 0 {
			t.Errorf("%s: %d chunks and %d readings are gone, %v", c.name, chunks, hot, err)
		}
	}
	for day := range 23 {
		at := day0.AddDate(0, 0, 251+day)
		commit(t, s, &records.Batch{Readings: []sensors.Reading{temperature("s", at, at)}})
	}
	if chunks, _, err := Retain(ctx, s, Retention{Now: day0.AddDate(0, 0, 274), HistoryDays: 90}); err != nil || chunks != 99 {
		t.Errorf("weeks after the winter %d chunks are gone, %v; want 99", chunks, err)
	}
}

// Readings that are ahead of the clock are neither rolled nor deleted.
func TestRetainKeepsWhatIsNewer(t *testing.T) {
	ctx := context.Background()
	s := open(t, filepath.Join(t.TempDir(), "records.db"))
	var list []sensors.Reading
	for day := range 30 {
		at := day0.AddDate(0, 0, day)
		list = append(list, temperature("a", at, day0))
	}
	commit(t, s, &records.Batch{Readings: list})
	now := day0.AddDate(0, 0, 10)
	if _, err := s.Roll(ctx, now); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Retain(ctx, s, Retention{Now: now, HistoryDays: 3}); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(list[7:], all(t, s, day0, day0.AddDate(1, 0, 0))); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if n := one[int](t, s, "SELECT count(*) FROM hot"); n != 20 {
		t.Errorf("%d readings are hot, want the 20 from the tenth day on", n)
	}
}
