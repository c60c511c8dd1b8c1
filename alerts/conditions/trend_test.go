package conditions

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestMedian(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOf(rapid.Float64Range(-5, 5)).Draw(t, "values")
		sorted := slices.Sorted(slices.Values(values))
		want := 0.0
		if n := len(sorted); n > 0 {
			want = (sorted[(n-1)/2] + sorted[n/2]) / 2
		}
		if got := median(values); got != want {
			t.Fatalf("median %v, want %v", got, want)
		}
	})
}

// Up to 29 % of the points may be anything without moving the slope far: the
// breakdown point of the Theil-Sen estimator.
func TestRobustSlope(t *testing.T) {
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	var samples []Sample
	for minute := range 20 {
		s := Sample{Time: begin.Add(time.Duration(minute) * time.Minute), C: 20 + 3*float64(minute)/60}
		if minute%5 == 2 {
			s.C += 9
		}
		samples = append(samples, s)
	}
	got := robustSlope(samples, 0.02, celsius)
	if !got.Known || math.Abs(got.PerHour-3) > 0.05 || got.Low > 3 || got.High < 3 {
		t.Errorf("slope %+v, want 3 °C/h", got)
	}
	if few := robustSlope(samples[:10], 0.02, celsius); few.Known {
		t.Errorf("ten minutes are taken for a slope: %+v", few)
	}
}
