package quality

import (
	"math"
	"testing"
	"time"

	"rearguard/sensors"
)

// Beside a noisy sensor the others are noisy by half, and only it is named.
func TestTheNoisiestIsNamed(t *testing.T) {
	cfg := NeighbourConfig{NoiseRatio: 1.8}
	for _, c := range []struct {
		other, own float64
		high       int
		otherHigh  int
		want       sensors.Flag
	}{
		{0, 0.1, noiseConfirm, 1, sensors.Suspect},
		{0.1, 0.1, noiseConfirm, 1, 0},
		{0.1, 0.1, noiseConfirm, 0, sensors.Suspect},
		{0.085, 0.1, noiseConfirm, 1, sensors.Suspect},
		{0.095, 0.1, noiseConfirm, 1, 0},
		{0, 0.1, noiseConfirm - 1, 1, 0},
	} {
		n := trio(cfg, start, 20, 20, 20)
		own, other := n.members[0], n.members[1]
		own.Noise = noiseState{High: c.high, Now: c.own, Usual: 0.05, Since: 7}
		other.Noise = noiseState{High: c.otherHigh, Now: c.other, Usual: 0.05}
		flag, found := n.answer(0, nil, own)
		if flag != c.want || c.want != 0 && (math.Abs(found[0].Size-2) > 1e-9 || found[0].Limit != 1.8) {
			t.Errorf("%+v: %v %v", c, flag, found)
		}
	}
}

// The comparison wants three deviations in a row, of a sensor that reports
// often enough.
func TestNoiseAgainstNeighbours(t *testing.T) {
	for seconds, want := range map[float64]int{900: 3, 901: 0} {
		m := &member{Interval: seconds}
		for i, deviation := range []float64{0.5, 0, 0.5, 0, 0.5} {
			m.noise(int64(i+1), deviation, 1.8)
		}
		if m.Noise.Count != want || m.Apart != [2]float64{0, 0.5} {
			t.Errorf("every %v s: %d sizes of %v", seconds, m.Noise.Count, m.Apart)
		}
		m.noise(6, 0, 0)
		if m.Noise.Count != want {
			t.Errorf("without a ratio: %d sizes", m.Noise.Count)
		}
	}
}

// What all sensors do is no noise of one, and with fewer than two others
// nothing is known of it.
func TestNoiseIsThatOfOne(t *testing.T) {
	for others, want := range map[int]int{1: 0, 2: 3} {
		n := NewNeighbours(sensors.Temperature, NeighbourConfig{NoiseRatio: 1.8})
		for minute := range 5 {
			for i := range others + 1 {
				n.Observe(sensors.SensorID(rune('a'+i)), start.Add(time.Duration(minute)*time.Minute+time.Duration(i)*time.Second), 20+float64(minute%2)*4, sensors.Pass)
			}
		}
		// The last to report has the others beside it.
		if s := n.members[others].Noise; s.Count != want || s.Zero != want {
			t.Errorf("beside %d others: %d sizes, %d of them nothing", others, s.Count, s.Zero)
		}
	}
	coarse := &member{Noise: noiseState{Now: 0.2, Usual: 0.01}, Step: stepState{Resolution: 0.4}}
	if got := coarse.noiseRatio(); math.Abs(got-2) > 1e-9 {
		t.Errorf("a coarse sensor has %v times the noise, want 2", got)
	}
	// A coarse sensor is forgiven what a quarter of its step makes.
	for resolution, want := range map[float64]int{0.4: 1, 0.8: 0} {
		m := &member{Interval: 60, Aparts: 2, Step: stepState{Resolution: resolution}}
		m.Noise = noiseState{From: start.UnixMilli(), Count: 60, Windows: noiseLearnCount, LearnFrom: start.UnixMilli() - dayMillis, Usual: 0.01}
		// 60 sizes of 0.33.
		m.Noise.Bins[33] = 60
		if m.noise(start.UnixMilli()+hourMillis, 0, 1.8); m.Noise.High != want {
			t.Errorf("steps of %v: %+v, want %d windows too high", resolution, m.Noise, want)
		}
	}
}
