package records

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/daemon/records/chunk"
	"rearguard/sensors"
)

// model is what a Store should hold: the first reading of each series and
// time.
type model map[string]sensors.Reading

func (m model) add(rs ...sensors.Reading) {
	for _, r := range rs {
		key := fmt.Sprint(r.Series, r.Time)
		if _, ok := m[key]; !ok {
			m[key] = r
		}
	}
}

func (m model) sorted(less func(a, b sensors.Reading) int, keep func(sensors.Reading) bool) []sensors.Reading {
	var list []sensors.Reading
	for _, r := range m {
		if keep(r) {
			list = append(list, r)
		}
	}
	slices.SortFunc(list, less)
	return list
}

func compareTime(a, b sensors.Reading) int {
	if c := a.Time.Compare(b.Time); c != 0 {
		return c
	}
	return sensors.CompareSeries(a.Series, b.Series)
}

func compareArrival(a, b sensors.Reading) int {
	if c := a.Arrival.Compare(b.Arrival); c != 0 {
		return c
	}
	if c := sensors.CompareSeries(a.Series, b.Series); c != 0 {
		return c
	}
	return a.Time.Compare(b.Time)
}

func scanArrivals(r *Reader, from, to time.Time) ([]sensors.Reading, error) {
	var got []sensors.Reading
	for rd, err := range r.ScanArrival(context.Background(), from, to) {
		if err != nil {
			return nil, err
		}
		got = append(got, rd)
	}
	// Windows that must close early give the same.
	var again []sensors.Reading
	err := r.scanArrival(context.Background(), from.UnixMilli(), to.UnixMilli(), 3, func(rd sensors.Reading) bool {
		again = append(again, rd)
		return true
	})
	if err == nil && !slices.Equal(got, again) {
		err = fmt.Errorf("%d readings in large windows, %d in small ones, or others", len(got), len(again))
	}
	return got, err
}

// Whatever is committed, in whatever order, rolled at whatever moments and
// reopened in between, must come back once each and in order.
func TestHistoryEqualsModel(t *testing.T) {
	ctx := context.Background()
	rapid.Check(t, func(rt *rapid.T) {
		path := filepath.Join(t.TempDir(), "records.db")
		s, err := Open(ctx, path, Options{Synchronous: Normal})
		if err != nil {
			rt.Fatal(err)
		}
		defer func() { s.Close() }()
		want := model{}
		instant := func(label string) time.Time {
			// A few days before and after the epoch of the test, in coarse
			// steps so that duplicates happen.
			return day0.Add(time.Duration(rapid.IntRange(-96, 96).Draw(rt, label)) * time.Hour / 2)
		}
		check := func(rt *rapid.T) {
			from, to := instant("from"), instant("to")
			in := func(at time.Time) bool { return !at.Before(from) && at.Before(to) }
			only := []sensors.Series{{Sensor: "b", Quantity: sensors.Temperature}, {Sensor: "c", Quantity: sensors.Temperature}}
			var got []sensors.Reading
			for r, err := range s.Scan(ctx, nil, from, to) {
				if err != nil {
					rt.Fatal(err)
				}
				got = append(got, r)
			}
			if d := cmp.Diff(want.sorted(compareTime, func(r sensors.Reading) bool { return in(r.Time) }), got); d != "" {
				rt.Fatalf("by time (-want +got):\n%s", d)
			}
			got = nil
			for r, err := range s.Scan(ctx, only, from, to) {
				if err != nil {
					rt.Fatal(err)
				}
				got = append(got, r)
			}
			if d := cmp.Diff(want.sorted(compareTime, func(r sensors.Reading) bool { return in(r.Time) && slices.Contains(only, r.Series) }), got); d != "" {
				rt.Fatalf("some series by time (-want +got):\n%s", d)
			}
			got, err := scanArrivals(s.Reader, from, to)
			if err != nil {
				rt.Fatal(err)
			}
			if d := cmp.Diff(want.sorted(compareArrival, func(r sensors.Reading) bool { return in(r.Arrival) }), got); d != "" {
				rt.Fatalf("by arrival (-want +got):\n%s", d)
			}
			probe := sensors.Series{Sensor: "a", Quantity: sensors.Temperature}
			at := instant("probe")
			_, known := want[fmt.Sprint(probe, at)]
			if has, err := s.Has(ctx, probe, at); err != nil || has != known {
				rt.Fatalf("Has(%v, %v) = %v, %v, want %v", probe, at, has, err, known)
			}
		}
		rt.Repeat(map[string]func(*rapid.T){
			"commit": func(rt *rapid.T) {
				b := &Batch{}
				for range rapid.IntRange(1, 80).Draw(rt, "readings") {
					at := instant("time")
					r := reading(rapid.SampledFrom([]string{"a", "b", "c"}).Draw(rt, "sensor"),
						rapid.SampledFrom([]sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity}).Draw(rt, "quantity"),
						at, at, float64(rapid.IntRange(0, 4000).Draw(rt, "raw"))/100, 0)
					r.Value = r.Raw + 0.25
					if rapid.Bool().Draw(rt, "late") {
						r.Arrival = instant("arrival")
					}
					b.Readings = append(b.Readings, r)
				}
				if err := s.Commit(ctx, b); err != nil {
					rt.Fatal(err)
				}
				want.add(b.Readings...)
			},
			"roll": func(rt *rapid.T) {
				if _, err := s.Roll(ctx, instant("before")); err != nil {
					rt.Fatal(err)
				}
			},
			"roll chunks only": func(rt *rapid.T) {
				// What a Roll leaves that dies between its two halves.
				k, err := chunk.NewCodec()
				if err != nil {
					rt.Fatal(err)
				}
				defer k.Close()
				if _, err := s.writeChunks(ctx, k, dayOf(instant("day").UnixMilli()), &Rolled{}); err != nil {
					rt.Fatal(err)
				}
			},
			"reopen": func(rt *rapid.T) {
				if err := s.Close(); err != nil {
					rt.Fatal(err)
				}
				if s, err = Open(ctx, path, Options{Synchronous: Normal}); err != nil {
					rt.Fatal(err)
				}
			},
			"check": check,
		})
		check(rt)
	})
}
