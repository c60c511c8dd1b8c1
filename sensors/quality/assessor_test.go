package quality

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/sensors"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// steady returns minute readings of a well-run room: noise of 0.03 °C on a
// resolution of 0.01 °C.
func steady(r *rand.Rand, level float64) func(i int) float64 {
	return func(int) float64 { return math.Round((level+r.NormFloat64()*0.03)*100) / 100 }
}

func has(findings []Finding, test Check) bool {
	for _, f := range findings {
		if f.Check == test {
			return true
		}
	}
	return false
}

// feed gives n readings at step and returns the last answer.
func feed(a *Assessor, from time.Time, step time.Duration, n int, value func(i int) float64) (sensors.Flag, []Finding) {
	var flag sensors.Flag
	var found []Finding
	for i := range n {
		flag, found = a.Assess(from.Add(time.Duration(i)*step), value(i))
	}
	return flag, found
}

func TestAssessSingleReadings(t *testing.T) {
	const now = 61 * time.Minute
	for _, c := range []struct {
		name     string
		quantity sensors.Quantity
		before   float64 // level of the hour before, at one-minute steps
		after    time.Duration
		value    float64
		want     sensors.Flag
		test     Check
	}{
		{"steady", sensors.Temperature, 25, now, 25.1, sensors.Pass, ""},
		{"not a number", sensors.Temperature, 25, now, math.NaN(), sensors.Missing, CheckValue},
		{"infinite", sensors.Temperature, 25, now, math.Inf(-1), sensors.Fail, CheckValue},
		{"absurd", sensors.Temperature, 25, now, 1e300, sensors.Fail, CheckValue},
		{"one-wire power-up value", sensors.Temperature, 25, now, 85, sensors.Fail, CheckGrossRange},
		{"one-wire disconnected", sensors.Temperature, 25, now, -127, sensors.Fail, CheckGrossRange},
		{"beyond user span", sensors.Temperature, 49.5, now, 50.5, sensors.Suspect, CheckGrossRange},
		{"step within WMO limit of 3 °C/min", sensors.Temperature, 25, now, 22.2, sensors.Pass, ""},
		{"step beyond it", sensors.Temperature, 25, now, 21.8, sensors.Suspect, CheckRateOfChange},
		{"the same over five minutes is slower", sensors.Temperature, 25, now + 4*time.Minute, 21.8, sensors.Pass, ""},
		{"humidity within WMO limit of 10 %/min", sensors.RelativeHumidity, 60, now, 69.5, sensors.Pass, ""},
		{"humidity beyond it", sensors.RelativeHumidity, 60, now, 71, sensors.Suspect, CheckRateOfChange},
		{"humidity beyond 15 %/min", sensors.RelativeHumidity, 60, now, 76, sensors.Fail, CheckRateOfChange},
		{"after a gap nothing is compared", sensors.Temperature, 25, now + 3*time.Hour, 20, sensors.NotEvaluated, CheckGap},
		{"gap does not hide gross range", sensors.Temperature, 25, now + 3*time.Hour, 60, sensors.Suspect, CheckGrossRange},
		{"older than the newest", sensors.Temperature, 25, 30 * time.Minute, 25, sensors.NotEvaluated, CheckOrder},
		{"doubled message", sensors.Temperature, 25, now - time.Minute, 25, sensors.NotEvaluated, CheckOrder},
		{"turned to Fahrenheit", sensors.Temperature, 25, now, 77, sensors.Fail, CheckUnitFahr},
		{"cool room turned to Fahrenheit", sensors.Temperature, 8, now, 46.4, sensors.Fail, CheckUnitFahr},
		{"turned to kelvin", sensors.Temperature, 25, now, 298.15, sensors.Fail, CheckUnitKelvin},
		{"turned to ratio", sensors.RelativeHumidity, 60, now, 0.61, sensors.Fail, CheckUnitRatio},
		{"humidity a little over 100", sensors.RelativeHumidity, 96, now, 100.8, sensors.Pass, ""},
		{"battery", sensors.Battery, 80, now, 80, sensors.Pass, ""},
		{"battery of 200 half percents", sensors.Battery, 80, now, 200, sensors.Fail, CheckGrossRange},
		{"signal", sensors.SignalStrength, -70, now, -105, sensors.Pass, ""},
		{"positive signal", sensors.SignalStrength, -70, now, 70, sensors.Fail, CheckGrossRange},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := NewAssessor(c.quantity, DefaultConfig(c.quantity))
			feed(a, start, time.Minute, 61, steady(rand.New(rand.NewPCG(1, 2)), c.before))
			flag, found := a.Assess(start.Add(c.after), c.value)
			if flag != c.want {
				t.Errorf("flag %v, want %v (%v)", flag, c.want, found)
			}
			if c.test != "" && !has(found, c.test) {
				t.Errorf("findings %v lack %s", found, c.test)
			}
			if c.test == "" && len(found) > 0 {
				t.Errorf("findings %v, want none", found)
			}
			for _, f := range found {
				if f.String() == "" || f.Since.IsZero() {
					t.Errorf("finding %+v has no text or no time", f)
				}
			}
		})
	}
}

func TestFirstReadingIsNotEvaluated(t *testing.T) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	if flag, _ := a.Assess(start, 25); flag != sensors.NotEvaluated {
		t.Errorf("first reading: %v, want not evaluated", flag)
	}
	if flag, _ := a.Assess(start.Add(time.Minute), 25.1); flag != sensors.Pass {
		t.Errorf("second reading: %v, want pass", flag)
	}
}

func TestSpikeIsAmendedAfterwards(t *testing.T) {
	for _, c := range []struct {
		name           string
		peak           float64
		atOnce, amends sensors.Flag
		next           sensors.Flag
	}{
		{"large", 31, sensors.Suspect, sensors.Fail, sensors.Pass},
		{"below the step limit", 27.8, sensors.Pass, sensors.Suspect, sensors.Pass},
		{"small", 26, sensors.Pass, 0, sensors.Pass},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
			feed(a, start, time.Minute, 10, func(int) float64 { return 25 })
			at := start.Add(10 * time.Minute)
			if flag, _ := a.Assess(at, c.peak); flag != c.atOnce {
				t.Errorf("at once %v, want %v", flag, c.atOnce)
			}
			if _, has := a.Amendment(); has {
				t.Error("amended before the next reading")
			}
			if flag, found := a.Assess(at.Add(time.Minute), 25.1); flag != c.next {
				t.Errorf("next %v, want %v (%v)", flag, c.next, found)
			}
			am, has := a.Amendment()
			if has != (c.amends != 0) || am.Flag != c.amends {
				t.Fatalf("amendment %v %+v, want flag %v", has, am, c.amends)
			}
			if has && (!am.Time.Equal(at) || am.Value != c.peak || am.Was != c.atOnce) {
				t.Errorf("amendment %+v is not of the peak", am)
			}
			a.Assess(at.Add(2*time.Minute), 25)
			if _, has := a.Amendment(); has {
				t.Error("amendment repeated")
			}
		})
	}
}

func TestRealStepCostsOneReading(t *testing.T) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	feed(a, start, time.Minute, 10, func(int) float64 { return 25 })
	if flag, _ := a.Assess(start.Add(10*time.Minute), 20); flag != sensors.Suspect {
		t.Errorf("step: %v", flag)
	}
	if flag, found := a.Assess(start.Add(11*time.Minute), 20.1); flag != sensors.Pass {
		t.Errorf("new level: %v %v", flag, found)
	}
}

func TestFlatLine(t *testing.T) {
	learn := func(resolution, sigma float64) *Assessor {
		a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
		r := rand.New(rand.NewPCG(3, 4))
		feed(a, start, time.Minute, 3*1440, func(int) float64 {
			return math.Round((25+r.NormFloat64()*sigma)/resolution) * resolution
		})
		return a
	}
	for _, c := range []struct {
		name              string
		resolution, sigma float64
		within            time.Duration // flagged by then
		notBefore         time.Duration
	}{
		{"fine sensor", 0.01, 0.03, 3*time.Hour + 5*time.Minute, 3 * time.Hour},
		{"tenth of a degree", 0.1, 0.05, 13 * time.Hour, 11 * time.Hour},
		{"half degree", 0.5, 0.2, 61 * time.Hour, 59 * time.Hour},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := learn(c.resolution, c.sigma)
			from := start.Add(3 * 24 * time.Hour)
			flagged := time.Duration(0)
			for m := time.Duration(0); m < 70*time.Hour && flagged == 0; m += time.Minute {
				if flag, found := a.Assess(from.Add(m), 25); flag == sensors.Suspect && has(found, CheckFlatLine) {
					flagged = m
				}
			}
			if flagged < c.notBefore || flagged > c.within {
				t.Errorf("flagged after %v, want %v to %v", flagged, c.notBefore, c.within)
			}
			if flag, _ := a.Assess(from.Add(71*time.Hour), 25.5); flag == sensors.Suspect {
				t.Error("still suspect after it moved")
			}
		})
	}
	t.Run("silence does not count", func(t *testing.T) {
		a := learn(0.01, 0.03)
		flag, found := feed(a, start.Add(4*24*time.Hour), time.Hour, 20, func(int) float64 { return 25 })
		if has(found, CheckFlatLine) {
			t.Errorf("flagged %v across gaps: %v", flag, found)
		}
	})
}

func TestCondensing(t *testing.T) {
	a := NewAssessor(sensors.RelativeHumidity, DefaultConfig(sensors.RelativeHumidity))
	feed(a, start, time.Minute, 60, steady(rand.New(rand.NewPCG(5, 6)), 92))
	from := start.Add(time.Hour)
	if flag, found := feed(a, from, time.Minute, 60, func(int) float64 { return 100 }); flag != sensors.Pass {
		t.Errorf("after 59 min: %v %v", flag, found)
	}
	flag, found := feed(a, from.Add(time.Hour), time.Minute, 60*30, func(int) float64 { return 100 })
	if flag != sensors.Suspect || !has(found, CheckCondensing) || has(found, CheckFlatLine) {
		t.Errorf("after 30 h: %v %v, want condensing and not flat line", flag, found)
	}
	if !found[0].Since.Equal(from) {
		t.Errorf("since %v, want %v", found[0].Since, from)
	}
	// Drying: 99 % is still wet, 97 % is not.
	if flag, _ = a.Assess(from.Add(32*time.Hour), 99); flag != sensors.Suspect {
		t.Errorf("at 99 %%: %v", flag)
	}
	if flag, _ = a.Assess(from.Add(32*time.Hour+time.Minute), 97); flag != sensors.Pass {
		t.Errorf("at 97 %%: %v", flag)
	}
}

func TestNoise(t *testing.T) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	r := rand.New(rand.NewPCG(7, 8))
	if flag, found := feed(a, start, time.Minute, 5*1440, steady(r, 25)); flag != sensors.Pass {
		t.Fatalf("clean: %v %v", flag, found)
	}
	from := start.Add(5 * 24 * time.Hour)
	var delay time.Duration
	for m := time.Duration(0); m < 6*time.Hour && delay == 0; m += time.Minute {
		if _, found := a.Assess(from.Add(m), 25+r.NormFloat64()*0.15); has(found, CheckNoise) {
			delay = m
		}
	}
	if delay == 0 || delay > 3*time.Hour+10*time.Minute {
		t.Errorf("noise x5 found after %v", delay)
	}
	if flag, found := feed(a, from.Add(6*time.Hour), time.Minute, 180, steady(r, 25)); flag != sensors.Pass {
		t.Errorf("quiet again: %v %v", flag, found)
	}
}

func TestAttenuated(t *testing.T) {
	c := DefaultConfig(sensors.Temperature)
	c.AttenuatedWindow, c.AttenuatedSuspect, c.AttenuatedFail = 24*time.Hour, 2, 0.5
	day := func(amplitude float64) func(int) float64 {
		return func(i int) float64 { return 22 + amplitude*math.Sin(2*math.Pi*float64(i)/1440) }
	}
	for _, k := range []struct {
		amplitude float64
		want      sensors.Flag
	}{{3, sensors.Pass}, {0.6, sensors.Suspect}, {0.2, sensors.Fail}} {
		a := NewAssessor(sensors.Temperature, c)
		if flag, _ := feed(a, start, time.Minute, 1380, day(k.amplitude)); flag != sensors.Pass {
			t.Errorf("amplitude %g before the window is full: %v", k.amplitude, flag)
		}
		flag, found := feed(a, start.Add(1380*time.Minute), time.Minute, 600, func(i int) float64 { return day(k.amplitude)(i + 1380) })
		if flag != k.want {
			t.Errorf("amplitude %g: %v, want %v (%v)", k.amplitude, flag, k.want, found)
		}
	}
}

func TestWrongClockInTheFutureIsForgotten(t *testing.T) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	a.Assess(start.AddDate(10, 0, 0), 25)
	flag, _ := feed(a, start, time.Minute, 4, func(int) float64 { return 25 })
	if flag != sensors.NotEvaluated {
		t.Errorf("before the reset: %v", flag)
	}
	flag, found := feed(a, start.Add(4*time.Minute), time.Minute, 3, func(int) float64 { return 25 })
	if flag != sensors.Pass {
		t.Errorf("after the reset: %v %v", flag, found)
	}
}

// TestRestore cuts a random history anywhere, goes on from the state's JSON,
// and wants the same flags.
func TestRestore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom([]sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity, sensors.Battery}).Draw(t, "quantity")
		n := rapid.IntRange(2, 400).Draw(t, "readings")
		cut := rapid.IntRange(0, n-1).Draw(t, "cut")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		c := DefaultConfig(q)
		c.AttenuatedWindow, c.AttenuatedSuspect = 6*time.Hour, 1
		one, two := NewAssessor(q, c), NewAssessor(q, c)
		at := start
		for i := range n {
			at = at.Add(time.Duration(r.ExpFloat64()*float64(5*time.Minute)) - 20*time.Second)
			value := 40 + r.NormFloat64()
			if r.IntN(20) == 0 {
				value = r.NormFloat64() * 60
			}
			if i == cut {
				data, err := json.Marshal(two.State())
				if err != nil {
					t.Fatal(err)
				}
				var s State
				if err := json.Unmarshal(data, &s); err != nil {
					t.Fatal(err)
				}
				two = NewAssessor(q, c)
				if err := two.Restore(s); err != nil {
					t.Fatal(err)
				}
			}
			f1, found1 := one.Assess(at, value)
			f2, found2 := two.Assess(at, value)
			if f1 != f2 {
				t.Fatalf("reading %d: %v and %v", i, f1, f2)
			}
			if diff := cmp.Diff(found1, found2); diff != "" {
				t.Fatalf("reading %d: %s", i, diff)
			}
			a1, h1 := one.Amendment()
			if a2, h2 := two.Amendment(); h1 != h2 || a1 != a2 {
				t.Fatalf("reading %d: amendments %+v and %+v", i, a1, a2)
			}
		}
	})
}

func TestRestoreRefuses(t *testing.T) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	if err := a.Restore(State{Quantity: sensors.RelativeHumidity}); err == nil {
		t.Error("took the state of another quantity")
	}
	s := State{Quantity: sensors.Temperature}
	s.Last.Value = math.NaN()
	if err := a.Restore(s); err == nil {
		t.Error("took a NaN")
	}
}

// TestNeverPanics feeds whatever floats and times there are.
func TestNeverPanics(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := sensors.Quantity(rapid.IntRange(0, 6).Draw(t, "quantity"))
		c := DefaultConfig(q)
		c.AttenuatedWindow, c.AttenuatedSuspect = 3*time.Hour, 1
		c.Sensor, c.User = Span{}, Span{}
		a := NewAssessor(q, c)
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			at := time.UnixMilli(rapid.Int64Range(-1e13, 1e13).Draw(t, "at"))
			x := rapid.Float64().Draw(t, "x")
			flag, _ := a.Assess(at, x)
			if _, err := json.Marshal(a.State()); err != nil {
				t.Fatal(err)
			}
			if math.IsNaN(x) != (flag == sensors.Missing) {
				t.Fatalf("%g flagged %v", x, flag)
			}
		}
	})
}

func TestAssessAllocatesNothing(t *testing.T) {
	a := NewAssessor(sensors.RelativeHumidity, DefaultConfig(sensors.RelativeHumidity))
	at, r := start, rand.New(rand.NewPCG(1, 1))
	if n := testing.AllocsPerRun(5000, func() {
		at = at.Add(time.Minute)
		a.Assess(at, 70+r.NormFloat64()*8)
	}); n != 0 {
		t.Errorf("%g allocations a reading", n)
	}
}

func TestOutdoors(t *testing.T) {
	cold := NewAssessor(sensors.Temperature, OutdoorConfig(sensors.Temperature))
	if flag, found := feed(cold, start, time.Minute, 61, steady(rand.New(rand.NewPCG(1, 2)), -22)); flag != sensors.Pass {
		t.Errorf("frost: %v %v", flag, found)
	}
	fog := NewAssessor(sensors.RelativeHumidity, OutdoorConfig(sensors.RelativeHumidity))
	if flag, found := feed(fog, start, time.Minute, 300, func(i int) float64 { return 99.5 + float64(i%3)/10 }); flag != sensors.Pass {
		t.Errorf("fog: %v %v", flag, found)
	}
}

func TestDefaultsAreValid(t *testing.T) {
	for q := sensors.Temperature; q <= sensors.SignalStrength; q++ {
		if err := OutdoorConfig(q).Validate(); err != nil {
			t.Errorf("%v outdoors: %v", q, err)
		}
		if err := DefaultConfig(q).Validate(); err != nil {
			t.Errorf("%v: %v", q, err)
		}
	}
	for name, change := range map[string]func(*Config){
		"user beyond sensor": func(c *Config) { c.User.High = 200 },
		"span upside down":   func(c *Config) { c.Sensor = Span{5, 1} },
		"spike order":        func(c *Config) { c.SpikeFail = 1 },
		"not a number":       func(c *Config) { c.StepSuspect = math.NaN() },
		"negative gap":       func(c *Config) { c.Gap = -1 },
		"window too long":    func(c *Config) { c.AttenuatedWindow = 100 * time.Hour },
	} {
		c := DefaultConfig(sensors.Temperature)
		change(&c)
		if c.Validate() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestCombine(t *testing.T) {
	for _, c := range []struct {
		flags []sensors.Flag
		want  sensors.Flag
	}{
		{nil, sensors.NotEvaluated},
		{[]sensors.Flag{sensors.Pass, sensors.NotEvaluated}, sensors.NotEvaluated},
		{[]sensors.Flag{sensors.NotEvaluated, sensors.Suspect}, sensors.Suspect},
		{[]sensors.Flag{sensors.Fail, sensors.Suspect, sensors.Pass}, sensors.Fail},
		{[]sensors.Flag{sensors.Fail, sensors.Missing}, sensors.Missing},
		{[]sensors.Flag{sensors.Pass, sensors.Pass}, sensors.Pass},
	} {
		if got := Combine(c.flags...); got != c.want {
			t.Errorf("Combine(%v) = %v, want %v", c.flags, got, c.want)
		}
	}
}

func BenchmarkAssess(b *testing.B) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	r := rand.New(rand.NewPCG(1, 1))
	values := make([]float64, 1024)
	for i := range values {
		values[i] = math.Round((25+r.NormFloat64()*0.03)*100) / 100
	}
	at := start
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		at = at.Add(30 * time.Second)
		a.Assess(at, values[i%1024])
	}
}

// FuzzRestore gives any state to both kinds of memory and goes on from it.
func FuzzRestore(f *testing.F) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	feed(a, start, time.Minute, 300, steady(rand.New(rand.NewPCG(1, 2)), 25))
	one, err := json.Marshal(a.State())
	if err != nil {
		f.Fatal(err)
	}
	o := newRoom("s", 25, 0, 1, 2)
	o.run(start, 7*day, -1, "", nil)
	two, err := json.Marshal(o.n.State())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(one, two)
	f.Fuzz(func(t *testing.T, one, two []byte) {
		c := DefaultConfig(sensors.Temperature)
		c.AttenuatedWindow, c.AttenuatedSuspect = 3*time.Hour, 1
		a := NewAssessor(sensors.Temperature, c)
		var s State
		if json.Unmarshal(one, &s) == nil && a.Restore(s) == nil {
			feed(a, start.Add(5*time.Hour), 10*time.Minute, 60, func(i int) float64 { return 25 + float64(i%3) })
			if _, err := json.Marshal(a.State()); err != nil {
				t.Fatal(err)
			}
		}
		n := NewNeighbours(sensors.Temperature, DefaultNeighbourConfig(sensors.Temperature))
		var ns NeighboursState
		if json.Unmarshal(two, &ns) == nil && n.Restore(ns) == nil {
			o := newRoom("s", 25, 0, 1, 2)
			o.n = n
			o.run(start.Add(7*day), 30*time.Hour, -1, "", nil)
		}
	})
}
