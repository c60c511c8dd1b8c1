package trend

import (
	"math"
	"testing"
	"time"
)

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
