package course

import (
	"math"
	"testing"
	"time"

	"rearguard/daemon/roomair"
)

func TestAirSumTellsMeans(t *testing.T) {
	begin := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	var a AirSum
	line := func(from, to time.Duration, fromC, toC float64) {
		a.add(roomair.Segment{From: begin.Add(from), To: begin.Add(to), FromC: fromC, ToC: toC})
	}
	line(0, 10*time.Hour, 20, 20)
	line(8*time.Hour, 20*time.Hour, 20, 20) // partly again
	line(20*time.Hour, 44*time.Hour, 20, 44)
	for _, c := range []struct {
		from, to time.Duration
		want     float64
	}{{0, 18 * time.Hour, 20}, {3 * time.Hour, 13 * time.Hour, 20}, {24 * time.Hour, 36 * time.Hour, 30}, {0, 44 * time.Hour, (20*20 + 24*32) / 44.0}} {
		if got, ok := a.Mean(begin.Add(c.from), begin.Add(c.to)); !ok || math.Abs(got-c.want) > 1e-9 {
			t.Errorf("mean from %v to %v: %v, %v, want %v", c.from, c.to, got, ok, c.want)
		}
	}
	if _, ok := a.Mean(begin.Add(-time.Hour), begin); ok {
		t.Error("a mean of unknown air")
	}
}
