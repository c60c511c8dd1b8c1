package calibration

import (
	"math"
	"testing"
	"time"

	"rearguard/sensors"
)

// watched is a bench after readings at even distances.
func watched(limits Stability, every time.Duration, readings ...float64) *Bench {
	b := NewBench(limits)
	for i, x := range readings {
		b.Observe(start.Add(time.Duration(i)*every), x)
	}
	return b
}

// A textbook sample: mean 5, sum of squares 32; its line has a slope of 34/42
// for each step.
func TestMeasurementOfASample(t *testing.T) {
	m := watched(Stability{Window: 14 * time.Minute}, 2*time.Minute, 2, 4, 4, 4, 5, 5, 7, 9).Read()
	for what, c := range map[string][2]float64{
		"mean": {m.Mean, 5}, "standard deviation": {m.StdDev, math.Sqrt(32.0 / 7)}, "slope per hour": {m.Slope, 30 * 34.0 / 42},
		"spread": {m.Spread, 7}, "resolution": {m.Resolution, 1},
	} {
		if math.Abs(c[0]-c[1]) > 1e-9 {
			t.Errorf("%s %v, want %v", what, c[0], c[1])
		}
	}
	m = watched(DefaultStability(sensors.Temperature), time.Minute, 25).Read()
	if m.StdDev != 0 || m.Slope != 0 || m.Resolution != 0 || m.Stable {
		t.Errorf("one reading: %+v", m)
	}
	// What rounding of binary numbers leaves is no step of the sensor.
	if m = watched(DefaultStability(sensors.Temperature), time.Minute, 0.3, 0.1+0.2, 0.5, 0.1).Read(); math.Abs(m.Resolution-0.2) > 1e-9 {
		t.Errorf("resolution %v, want 0.2", m.Resolution)
	}
}

// Readings that just keep to every limit are stable; each limit counts.
func TestLimitsOfStability(t *testing.T) {
	limits := Stability{Window: time.Hour, MinReadings: 3, MaxSlope: 1, MaxSpread: 1}
	rising := []float64{20, 20.5, 21}
	if m := watched(limits, 30*time.Minute, rising...).Read(); !m.Stable || m.Waiting != "" {
		t.Errorf("at every limit: %+v", m)
	}
	for name, change := range map[string]func(*Stability){
		"window":   func(s *Stability) { s.Window += time.Second },
		"readings": func(s *Stability) { s.MinReadings++ },
		"slope":    func(s *Stability) { s.MaxSlope -= 1e-9 },
		"spread":   func(s *Stability) { s.MaxSpread -= 1e-9 },
	} {
		stricter := limits
		change(&stricter)
		if m := watched(stricter, 30*time.Minute, rising...).Read(); m.Stable || m.Waiting == "" {
			t.Errorf("a stricter limit of %s is kept as well: %+v", name, m)
		}
	}
	var minutes int
	for b := NewBench(DefaultStability(sensors.Temperature)); !b.Read().Stable && minutes < 100; minutes++ {
		b.Observe(start.Add(time.Duration(minutes)*time.Minute), 25)
	}
	if minutes-1 != 10 {
		t.Errorf("a steady thermometer is stable after %d min, want 10", minutes-1)
	}
}

func TestWindowOfABench(t *testing.T) {
	limits := Stability{Window: 30 * time.Minute}
	from := func(b *Bench) time.Duration { return b.Read().From.Sub(start) }
	// Silence of half a window is bridged, longer silence is not.
	if m := watched(limits, 15*time.Minute, 1, 2).Read(); m.N != 2 {
		t.Errorf("half a window of silence: %+v", m)
	}
	if m := watched(limits, 15*time.Minute+time.Second, 1, 2).Read(); m.N != 1 || m.Mean != 2 {
		t.Errorf("more than half a window of silence: %+v", m)
	}
	// One reading older than the window stays.
	b := watched(limits, 10*time.Minute, 1, 2, 3, 4, 5)
	if m := b.Read(); m.N != 5 || from(b) != 0 {
		t.Errorf("after 40 min: %+v", m)
	}
	b.Observe(start.Add(50*time.Minute), 6)
	if m := b.Read(); m.N != 5 || from(b) != 10*time.Minute {
		t.Errorf("after 50 min: %+v", m)
	}
	// A 512th of the window is the least distance.
	if m := watched(limits, limits.Window/maxBench, 1, 2, 3).Read(); m.N != 3 {
		t.Errorf("at the least distance: %+v", m)
	}
	for _, step := range []time.Duration{limits.Window/maxBench - 1, 0, -time.Minute} {
		if m := watched(limits, step, 1, 2, 3).Read(); step <= 0 && m.N != 1 || step > 0 && m.N != 2 {
			t.Errorf("readings %v apart: %+v", step, m)
		}
	}
}

func TestBenchGoesOnFromItsState(t *testing.T) {
	limits := DefaultStability(sensors.RelativeHumidity)
	b, restored := watched(limits, time.Minute, 40, 41, 42), NewBench(limits)
	if err := restored.Restore(b.State()); err != nil {
		t.Fatal(err)
	}
	if got, want := restored.Read(), b.Read(); got != want {
		t.Errorf("restored %+v, want %+v", got, want)
	}
	for name, s := range map[string]BenchState{
		"a time too many":  {At: []int64{1, 2}, X: []float64{40}},
		"a value too many": {At: []int64{1}, X: []float64{40, 41}},
		"out of order":     {At: []int64{2, 1}, X: []float64{40, 41}},
		"one time twice":   {At: []int64{1, 2, 2}, X: []float64{40, 41, 42}},
		"no number":        {At: []int64{1, 2}, X: []float64{40, math.NaN()}},
	} {
		if NewBench(limits).Restore(s) == nil {
			t.Errorf("%s: taken", name)
		}
	}
	if err := NewBench(limits).Restore(BenchState{At: []int64{-5, 3}, X: []float64{40, 41}}); err != nil {
		t.Errorf("in order: %v", err)
	}
}
