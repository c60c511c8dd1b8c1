package quality

import (
	"math"
	"testing"
	"time"

	"rearguard/sensors"
)

// hour gives a size a minute for an hour, all alike, to the present window;
// the window is judged when the next one begins.
func hour(s *noiseState, number int, size float64) {
	for minute := range 60 {
		s.take(start.UnixMilli()+int64(number)*hourMillis+int64(minute)*hourMillis/60, size, noiseMinCount, 0, 3)
	}
}

// binned is the middle of the quarter octave above a thousandth that holds a
// size.
func binned(size float64) float64 {
	return 1e-3 * math.Exp2((math.Floor(4*math.Log2(size/1e-3))+0.5)/4)
}

// The noise is the mean of the smallest nine tenths, zeros included.
func TestTrimmedMean(t *testing.T) {
	for name, c := range map[string]struct {
		sizes map[float64]int
		want  float64
	}{
		"nothing":                  {nil, 0},
		"only what is no noise":    {map[float64]int{0.0009: 100}, 0},
		"the smallest there is":    {map[float64]int{1e-3: 100}, binned(1e-3)},
		"all alike":                {map[float64]int{0.1: 100}, binned(0.1)},
		"a tenth is left out":      {map[float64]int{0.1: 90, 10: 10}, binned(0.1)},
		"and no more":              {map[float64]int{0.1: 80, 10: 20}, (80*binned(0.1) + 10*binned(10)) / 90},
		"zeros count":              {map[float64]int{0: 50, 0.1: 50}, 40 * binned(0.1) / 90},
		"nine tenths zeros":        {map[float64]int{0: 90, 0.1: 10}, 0},
		"what no bin is large for": {map[float64]int{1e9: 10}, 1e-3 * math.Exp2(63.5/4)},
	} {
		s := noiseState{}
		for size, count := range c.sizes {
			for range count {
				s.take(start.UnixMilli(), size, noiseMinCount, 0, 3)
			}
		}
		if got := s.trimmedMean(); !(math.Abs(got-c.want) <= 1e-12*c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// A window lasts an hour and has twenty sizes at least.
func TestNoiseWindow(t *testing.T) {
	for _, c := range []struct {
		sizes  int
		after  time.Duration
		closes bool
	}{{20, time.Hour, true}, {19, time.Hour, false}, {20, time.Hour - time.Millisecond, false}} {
		s := noiseState{}
		for range c.sizes {
			s.take(start.UnixMilli(), 0.1, noiseMinCount, 0, 3)
		}
		s.take(start.Add(c.after).UnixMilli(), 0.1, noiseMinCount, 0, 3)
		if closed := s.Windows == 1; closed != c.closes || closed && s.Count != 1 {
			t.Errorf("%d sizes and one after %v: %+v, want the window closed: %v", c.sizes, c.after, s, c.closes)
		}
	}
}

// For a day the largest level is learned. Then the level that nine of ten
// windows stay below is followed, and more than three times of it counts.
func TestUsualNoise(t *testing.T) {
	s := &noiseState{}
	for h := range 24 {
		hour(s, h, 0.1)
	}
	// The 24th hour ends the 23rd; it begins 23 h after the first.
	hour(s, 24, 0.8)
	hour(s, 25, 0.2)
	usual := binned(0.1)
	if math.Abs(s.Usual-usual*(1-0.005)) > 1e-12 && math.Abs(s.Usual-usual) > 1e-12 {
		t.Fatalf("usual %v, want %v", s.Usual, usual)
	}
	if s.High != 1 || s.Since != start.Add(24*time.Hour).UnixMilli() || s.Now != binned(0.8) {
		t.Fatalf("the first window after a day is not judged: %+v", s)
	}
	// Twice the usual is not too much, and it ends what was.
	before := s.Usual
	hour(s, 26, 0.05)
	if s.High != 0 || math.Abs(s.Usual-before*1.045) > 1e-12 {
		t.Errorf("after a level above the usual: %+v, want %v usual", s, before*1.045)
	}
	before = s.Usual
	hour(s, 27, 0.8)
	if math.Abs(s.Usual-before*0.995) > 1e-12 {
		t.Errorf("after a level below the usual: %v, want %v", s.Usual, before*0.995)
	}
	hour(s, 28, 0.8)
	hour(s, 29, 0.8)
	if s.High != 2 || s.Since != start.Add(27*time.Hour).UnixMilli() {
		t.Errorf("two windows too high: %+v", s)
	}
	// After a week of it it is how the series is.
	for h := 30; h < 27+noiseRelearn; h++ {
		hour(s, h, 0.8)
	}
	if s.High != noiseRelearn-1 {
		t.Fatalf("%d windows too high", s.High)
	}
	hour(s, 27+noiseRelearn, 0.8)
	if s.High != 0 || s.Windows != 1 || s.Usual != binned(0.8) || s.LearnFrom != start.Add(time.Duration(27+noiseRelearn-1)*time.Hour).UnixMilli() {
		t.Errorf("after a week: %+v", s)
	}
}

// While learning nothing counts, neither before six windows nor before a day.
func TestNoiseIsLearnedForADay(t *testing.T) {
	s := &noiseState{}
	for h := range 23 {
		hour(s, h, 0.1)
	}
	hour(s, 23, 0.8)
	hour(s, 24, 0.1)
	if s.High != 0 || s.Usual != binned(0.8) || s.Windows != noiseLearnCount {
		t.Errorf("within the first day: %+v", s)
	}
	// A level that is just the usual one is not above it.
	s = &noiseState{}
	for h := range 26 {
		hour(s, h, 0.1)
	}
	if want := binned(0.1) * 0.995; math.Abs(s.Usual-want) > 1e-12 {
		t.Errorf("usual %v, want %v", s.Usual, want)
	}
	s = &noiseState{}
	for i := range 5 {
		hour(s, 10*i, 0.1)
	}
	hour(s, 50, 0.8)
	hour(s, 60, 0.1)
	if s.High != 0 || s.Usual != binned(0.8) {
		t.Errorf("the sixth window, after more than a day: %+v", s)
	}
	hour(s, 70, 0.1)
	hour(s, 80, 3)
	hour(s, 90, 0.1)
	if s.High != 1 {
		t.Errorf("later: %+v", s)
	}
}

// The level that counts is never below a quarter of the sensor's step, nor
// below four thousandths of the unit.
func TestNoiseFloor(t *testing.T) {
	for _, c := range [][3]float64{{0, 0, 0.004}, {0.1, 0, 0.1}, {0.1, 0.2, 0.2}} {
		if got := (&noiseState{Usual: c[0]}).usual(c[1]); got != c[2] {
			t.Errorf("usual %v with a floor of %v: %v, want %v", c[0], c[1], got, c[2])
		}
	}
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	a.s.Flat.Step.Resolution = 0.5
	if got := a.noiseFloor(); got != 0.125 {
		t.Errorf("floor %v, want 0.125", got)
	}
	a.s.Noise = noiseState{High: noiseConfirm, Now: 1, Usual: 0.01, Since: 5}
	if flag := a.noisy(); flag != sensors.Suspect || a.found[0].Size != 8 || a.found[0].Limit != 3 {
		t.Errorf("%v, %+v", flag, a.found[0])
	}
	a.s.Noise.High--
	if flag := a.noisy(); flag != 0 {
		t.Errorf("one window: %v", flag)
	}
	a = NewAssessor(sensors.Temperature, Config{})
	if a.noise(1, 0.1); a.s.Noise.Count != 0 {
		t.Error("noise is followed without a ratio")
	}
	for seconds, want := range map[float64]int{900: 1, 901: 0} {
		a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
		a.s.IntervalSeconds = seconds
		if a.noise(1, 0.1); a.s.Noise.Count != want {
			t.Errorf("every %v s: %d sizes, want %d", seconds, a.s.Noise.Count, want)
		}
	}
}

// Ranges that just reach the limits, and what the finding says.
func TestAttenuatedAtItsLimits(t *testing.T) {
	for size, want := range map[float64]sensors.Flag{2: 0, 1.9375: sensors.Suspect, 0.5: sensors.Suspect, 0.4375: sensors.Fail} {
		c := DefaultConfig(sensors.Temperature)
		c.AttenuatedWindow, c.AttenuatedSuspect, c.AttenuatedFail = 3*time.Hour, 2, 0.5
		a := NewAssessor(sensors.Temperature, c)
		at := start.UnixMilli() + 3*hourMillis - 1
		var flag sensors.Flag
		// The highest is the oldest within the window, the lowest the second.
		for i, value := range []float64{40, 20 + size, 20, 20.25} {
			if flag != 0 {
				t.Errorf("range %v: %v before the window is full", size, flag)
			}
			a.n = 0
			flag = a.attenuated(at+int64(i-3)*hourMillis, value)
		}
		if flag != want {
			t.Errorf("range %v: %v, want %v", size, flag, want)
		}
		if want != 0 {
			if f := a.found[0]; f.Size != size || !f.Since.Equal(millis(at-3*hourMillis)) || f.Limit != map[sensors.Flag]float64{sensors.Suspect: 2, sensors.Fail: 0.5}[want] {
				t.Errorf("range %v: %+v", size, f)
			}
		}
	}
	for name, change := range map[string]func(*Config){
		"no window":      func(c *Config) { c.AttenuatedWindow = time.Hour - 1 },
		"too long":       func(c *Config) { c.AttenuatedWindow = 49 * time.Hour },
		"no limit":       func(c *Config) { c.AttenuatedSuspect, c.AttenuatedFail = 0, 1 },
		"an hour unread": func(c *Config) { c.AttenuatedWindow = 2 * time.Hour },
	} {
		c := DefaultConfig(sensors.Temperature)
		c.AttenuatedWindow, c.AttenuatedSuspect = time.Hour, 2
		change(&c)
		a := NewAssessor(sensors.Temperature, c)
		for i := range int64(3) {
			if flag := a.attenuated(start.UnixMilli()+2*i*hourMillis, 20); flag != 0 {
				t.Errorf("%s: %v", name, flag)
			}
		}
	}
	// The hour of two days ago has the same place.
	a := NewAssessor(sensors.Temperature, Config{AttenuatedWindow: time.Hour, AttenuatedSuspect: 2})
	a.attenuated(start.UnixMilli(), 20)
	if flag := a.attenuated(start.UnixMilli()+48*hourMillis, 25); flag != sensors.Suspect {
		t.Errorf("two days later: %v", flag)
	}
	for hours, want := range map[time.Duration]sensors.Flag{1: sensors.Suspect, 48: sensors.Suspect} {
		c := DefaultConfig(sensors.Temperature)
		c.AttenuatedWindow, c.AttenuatedSuspect = hours*time.Hour, 2
		a := NewAssessor(sensors.Temperature, c)
		var flag sensors.Flag
		for i := range int64(hours) {
			flag = a.attenuated(i*hourMillis-30*hourMillis, 20)
		}
		if flag != want {
			t.Errorf("%d hours around 1970: %v, want %v", hours, flag, want)
		}
		// An hour of two days before is not taken for that of today.
		if flag = a.attenuated(int64(hours)*hourMillis+20*hourMillis, 20); hours > 1 && flag != 0 {
			t.Errorf("after a day without readings: %v", flag)
		}
	}
}
