package sensors

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestMedian(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOf(rapid.Float64Range(-5, 5)).Draw(t, "values")
		sorted := slices.Sorted(slices.Values(values))
		want := math.NaN()
		if n := len(sorted); n > 0 {
			want = (sorted[(n-1)/2] + sorted[n/2]) / 2
		}
		if got := Median(values); got != want && !(len(values) == 0 && math.IsNaN(got)) {
			t.Fatalf("median %v, want %v", got, want)
		}
	})
}
