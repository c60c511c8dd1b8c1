package records

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/records/chunk"
	"rearguard/sensors"
)

func countRows(t *testing.T, s *Store, table string) (n int) {
	t.Helper()
	if err := s.db.QueryRow("SELECT count(*) FROM " + table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestLateReadingJoinsItsDay(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	noon := day0.Add(12 * time.Hour)
	early := reading("a", sensors.Temperature, noon, noon, 20, 20)
	commit(t, s, &Batch{Readings: []sensors.Reading{early, reading("a", sensors.Temperature, noon.AddDate(0, 0, 1), noon.AddDate(0, 0, 1), 21, 21)}})
	roll := func(before time.Time, want Rolled) {
		t.Helper()
		if got, err := s.Roll(ctx, before); err != nil || got != want {
			t.Errorf("Roll: %+v, %v, want %+v", got, err, want)
		}
	}
	roll(day0.Add(23*time.Hour), Rolled{})
	roll(day0.Add(25*time.Hour), Rolled{Chunks: 1, Readings: 1})
	roll(day0.Add(25*time.Hour), Rolled{})
	// Two days later come a reading from before and one that was sent twice.
	later := noon.AddDate(0, 0, 2)
	late := reading("a", sensors.Temperature, noon.Add(-time.Hour), later, 19, 19)
	again := reading("a", sensors.Temperature, noon, later, 99, 99)
	commit(t, s, &Batch{Readings: []sensors.Reading{late, again}})
	check := func() {
		t.Helper()
		if d := cmp.Diff([]sensors.Reading{late, early}, scanAll(t, s.Reader, day0, day0.AddDate(0, 0, 1))); d != "" {
			t.Errorf("by time (-want +got):\n%s", d)
		}
		got, err := scanArrivals(s.Reader, later, later.AddDate(0, 0, 1))
		if d := cmp.Diff([]sensors.Reading{late}, got); err != nil || d != "" {
			t.Errorf("by arrival: %v (-want +got):\n%s", err, d)
		}
	}
	check()
	roll(day0.Add(25*time.Hour), Rolled{Chunks: 1, Readings: 2})
	check()
	// Only the same reading once more: the chunk is not written again.
	commit(t, s, &Batch{Readings: []sensors.Reading{again}})
	roll(day0.Add(25*time.Hour), Rolled{Readings: 1})
	check()
	if n := countRows(t, s, "chunk"); n != 1 {
		t.Errorf("%d chunks, want 1", n)
	}
	if n := countRows(t, s, "hot"); n != 1 {
		t.Errorf("%d hot rows, want that of the second day", n)
	}
}

// A reading that comes while its day is being rolled must survive.
func TestReadingBetweenTheHalvesOfARoll(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	first := reading("a", sensors.Temperature, day0, day0, 20, 20)
	second := reading("a", sensors.Temperature, day0.Add(time.Minute), day0.Add(time.Hour), 21, 21)
	commit(t, s, &Batch{Readings: []sensors.Reading{first}})
	k, err := chunk.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	defer k.Close()
	var done Rolled
	parts, err := s.writeChunks(ctx, k, dayOf(day0.UnixMilli()), &done)
	if err != nil {
		t.Fatal(err)
	}
	commit(t, s, &Batch{Readings: []sensors.Reading{second}})
	if err := s.deleteHot(ctx, parts, &done); err != nil {
		t.Fatal(err)
	}
	want := []sensors.Reading{first, second}
	for _, when := range []string{"before", "after"} {
		if d := cmp.Diff(want, scanAll(t, s.Reader, day0, day0.Add(time.Hour))); d != "" {
			t.Errorf("%s the next roll (-want +got):\n%s", when, d)
		}
		if _, err := s.Roll(ctx, day0.AddDate(0, 0, 1)); err != nil {
			t.Fatal(err)
		}
	}
	if n := countRows(t, s, "hot"); n != 0 {
		t.Errorf("%d hot rows are left", n)
	}
}

// Commits, late ones among them, rolls and scans go on at the same time; no
// scan may ever see a reading twice, miss one, or see them out of order.
func TestRollWhileCommittingAndScanning(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{Synchronous: Normal})
	want := model{}
	var mu sync.Mutex
	stored := 0
	done := make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() {
		defer close(done)
		for n := range 400 {
			b := &Batch{}
			at := day0.Add(time.Duration(n) * time.Hour)
			for i := range 20 {
				r := reading(fmt.Sprintf("s%d", i), sensors.Temperature, at, at, float64(n), float64(n))
				if i%5 == 0 {
					r.Time = at.Add(-time.Duration(30+n%50) * time.Hour)
				}
				b.Readings = append(b.Readings, r)
			}
			if err := s.Commit(ctx, b); err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			want.add(b.Readings...)
			stored = len(want)
			mu.Unlock()
		}
	})
	wait.Go(func() {
		for {
			if _, err := s.Roll(ctx, day0.AddDate(1, 0, 0)); err != nil {
				t.Error(err)
				return
			}
			select {
			case <-done:
				return
			default:
			}
		}
	})
	from, to := day0.AddDate(-1, 0, 0), day0.AddDate(1, 0, 0)
	for running := true; running; {
		select {
		case <-done:
			running = false
		default:
		}
		mu.Lock()
		least := stored
		mu.Unlock()
		seen, last := 0, sensors.Reading{}
		for r, err := range s.Scan(ctx, nil, from, to) {
			if err != nil {
				t.Fatal(err)
			}
			if seen > 0 && compareTime(last, r) >= 0 {
				t.Fatalf("%+v after %+v", r, last)
			}
			seen, last = seen+1, r
		}
		if seen < least {
			t.Fatalf("%d readings seen, %d were stored before", seen, least)
		}
		seen = 0
		for r, err := range s.ScanArrival(ctx, from, to) {
			if err != nil {
				t.Fatal(err)
			}
			if seen > 0 && compareArrival(last, r) >= 0 {
				t.Fatalf("%+v after %+v", r, last)
			}
			seen, last = seen+1, r
		}
		if seen < least {
			t.Fatalf("%d readings seen by arrival, %d were stored before", seen, least)
		}
	}
	wait.Wait()
	all := func(sensors.Reading) bool { return true }
	if d := cmp.Diff(want.sorted(compareTime, all), scanAll(t, s.Reader, from, to)); d != "" {
		t.Errorf("at the end (-want +got):\n%s", d)
	}
}

func TestCancelledRollIsFinishedByTheNext(t *testing.T) {
	s := openTest(t, Options{Synchronous: Normal})
	for n := range int64(200) {
		commit(t, s, batchNumber(n+1))
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.Roll(ctx, day0.AddDate(1, 0, 0)); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	got, err := s.Roll(context.Background(), day0.AddDate(1, 0, 0))
	if err != nil || got.Readings != 200*50 {
		t.Errorf("Roll: %+v, %v, want %d readings", got, err, 200*50)
	}
	if n := checkWhole(t, s.Reader); n != 200 {
		t.Errorf("%d batches, want 200", n)
	}
}
