package records

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"rearguard/sensors"
)

// withHistory is a store with one rolled and one hot day of 50 series, journal
// entries and a named blob.
func withHistory(t testing.TB, opts Options) *Store {
	t.Helper()
	opts.Synchronous = Normal
	s := openTest(t, opts)
	for n := range int64(288) {
		commit(t, s, batchNumber(n+1))
	}
	b := &Batch{State: map[string][]byte{"mark": {1}}}
	for i := range journalPage + 500 {
		b.Journal = append(b.Journal, JournalEntry{Arrival: day0.Add(time.Duration(i) * time.Second), Kind: "tick"})
	}
	commit(t, s, b)
	if _, err := s.Roll(context.Background(), day0.AddDate(0, 0, 1)); err != nil {
		t.Fatal(err)
	}
	return s
}

// within fails the test if f is not done in time.
func within(t *testing.T, limit time.Duration, f func(ctx context.Context)) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	f(ctx)
	if ctx.Err() != nil {
		t.Fatalf("not done after %v", limit)
	}
}

// With a single connection, a scan that held it while the caller reads would
// wait for ever.
func TestScansHoldNothingWhileTheCallerReads(t *testing.T) {
	s := withHistory(t, Options{Readers: 1})
	from, to := day0, day0.AddDate(0, 0, 3)
	probe := sensors.Series{Sensor: "s3", Quantity: sensors.Temperature}
	within(t, time.Minute, func(ctx context.Context) {
		steps := 0
		read := func(err error) bool {
			if err == nil && steps%100 == 0 {
				if _, err = s.LoadState(ctx, "mark"); err == nil {
					_, err = s.Has(ctx, probe, day0.Add(10*time.Minute))
				}
			}
			steps++
			if err != nil {
				t.Error(err)
			}
			return err == nil
		}
		for name, scan := range map[string]func(){
			"Scan": func() {
				for _, err := range s.Scan(ctx, nil, from, to) {
					if !read(err) {
						return
					}
				}
			},
			"ScanDays": func() {
				for _, err := range s.ScanDays(ctx, nil, from, to) {
					if !read(err) {
						return
					}
				}
			},
			"ScanArrival": func() {
				for _, err := range s.ScanArrival(ctx, from, to) {
					if !read(err) {
						return
					}
				}
			},
			"Journal": func() {
				for _, err := range s.Journal(ctx, from, to) {
					if !read(err) {
						return
					}
				}
			},
		} {
			steps = 0
			if scan(); steps == 0 {
				t.Errorf("%s gave nothing", name)
			}
		}
	})
}

func TestManyFoldsAtOnce(t *testing.T) {
	s := withHistory(t, Options{})
	probe := sensors.Series{Sensor: "s3", Quantity: sensors.Temperature}
	within(t, 2*time.Minute, func(ctx context.Context) {
		var wait sync.WaitGroup
		for range 16 {
			wait.Go(func() {
				n := 0
				for r, err := range s.ScanArrival(ctx, day0, day0.AddDate(0, 0, 3)) {
					if err != nil {
						t.Error(err)
						return
					}
					if n++; n%200 != 0 {
						continue
					}
					if ok, err := s.Has(ctx, probe, r.Time); err != nil || !ok {
						t.Errorf("Has at %v: %v, %v", r.Time, ok, err)
						return
					}
					if _, err := s.LoadState(ctx, "mark"); err != nil {
						t.Error(err)
						return
					}
				}
				if n != 288*50 {
					t.Errorf("%d readings, want %d", n, 288*50)
				}
			})
		}
		wait.Wait()
	})
}

// Entries that come during a scan of the journal are not part of it.
func TestJournalInPages(t *testing.T) {
	s := openTest(t, Options{})
	b := &Batch{}
	for i := range 2*journalPage + 500 {
		b.Journal = append(b.Journal, JournalEntry{Arrival: day0.Add(time.Duration(i+1) * time.Second), Kind: "tick"})
	}
	commit(t, s, b)
	from, to := day0.Add(11*time.Second), day0.Add(2401*time.Second)
	next := int64(11)
	for e, err := range s.Journal(t.Context(), from, to) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Seq != next {
			t.Fatalf("entry %d, want %d", e.Seq, next)
		}
		if next++; next%500 == 0 {
			commit(t, s, &Batch{Journal: []JournalEntry{{Arrival: from, Kind: "later"}}})
		}
	}
	if next != 2401 {
		t.Errorf("it ended before entry %d, want 2401", next)
	}
}

// Pages that have taken every connection they can get, and give none back, do
// not keep the engine from reading.
func TestPagesLeaveTheEngineItsConnections(t *testing.T) {
	s := withHistory(t, Options{Readers: 1})
	within(t, time.Minute, func(ctx context.Context) {
		err := s.Pages().look(ctx, func(Querier) error {
			if _, err := s.LoadState(ctx, "mark"); err != nil {
				return err
			}
			for _, err := range s.ScanArrival(ctx, day0, day0.AddDate(0, 0, 3)) {
				if err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	})
}

// Pages read as fast as they can. A read of the engine then takes what it
// takes beside a few batches of theirs and never waits in their queue.
func TestEngineReadsBesideBusyPages(t *testing.T) {
	s := withHistory(t, Options{})
	probe := sensors.Series{Sensor: "s3", Quantity: sensors.Temperature}
	within(t, 2*time.Minute, func(ctx context.Context) {
		reading, stop := context.WithCancel(ctx)
		var wait sync.WaitGroup
		for range 16 {
			wait.Go(func() {
				for reading.Err() == nil {
					for _, err := range s.Pages().Scan(reading, nil, day0, day0.AddDate(0, 0, 3)) {
						if err != nil && reading.Err() == nil {
							t.Error(err)
							stop()
						}
					}
				}
			})
		}
		var took []time.Duration
		for n := range 200 {
			begun := time.Now()
			if ok, err := s.Has(ctx, probe, day0.Add(time.Duration(n+1)*10*time.Minute)); err != nil || !ok {
				t.Errorf("Has: %v, %v", ok, err)
			}
			if _, err := s.LoadState(ctx, "mark"); err != nil {
				t.Error(err)
			}
			took = append(took, time.Since(begun))
		}
		stop()
		wait.Wait()
		slices.Sort(took)
		t.Logf("two reads: median %v, longest %v", took[100], took[199])
		if longest := took[199]; longest > 5*time.Second {
			t.Errorf("a read waited for %v", longest)
		}
	})
}
