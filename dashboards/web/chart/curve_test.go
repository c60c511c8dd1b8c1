package chart

import (
	"testing"
	"time"
)

// TestGapsStayGaps: silence must not be drawn as steady air.
func TestGapsStayGaps(t *testing.T) {
	start := time.Date(2026, 5, 14, 9, 26, 40, 0, time.UTC)
	at := func(minute int, v float64) Point {
		return Point{Time: start.Add(time.Duration(minute) * time.Minute), Value: &v}
	}
	points := []Point{at(0, 20), at(10, 21), at(20, 22), at(120, 23), at(130, 22), {Time: at(140, 0).Time}, at(150, 21)}
	var lengths []int
	for _, r := range runs(points) {
		lengths = append(lengths, len(r))
	}
	if len(lengths) != 3 || lengths[0] != 3 || lengths[1] != 2 || lengths[2] != 1 {
		t.Errorf("runs of %v points, want 3, 2 and 1", lengths)
	}
	if c := (Curve{Name: "Temperature", Unit: "°C", LeastSpan: 4, Now: start, Zone: time.UTC}).Draw(); !c.Empty {
		t.Error("a chart of nothing is not empty")
	}
}
