package quality

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

// finding returns what a test complained of, and fails without it.
func finding(t *testing.T, found []Finding, check Check) Finding {
	t.Helper()
	for _, f := range found {
		if f.Check == check {
			return f
		}
	}
	t.Errorf("findings %v lack %s", found, check)
	return Finding{}
}

// A finding names the end that was passed, of the span that was.
func TestGrossRangeNamesTheLimit(t *testing.T) {
	for _, c := range []struct {
		q            sensors.Quantity
		value, limit float64
	}{
		{sensors.Temperature, 50.5, 50}, {sensors.Temperature, -10.5, -10}, {sensors.Temperature, 80.5, 80}, {sensors.Temperature, -40.5, -40},
		{sensors.RelativeHumidity, 102.5, 102}, {sensors.RelativeHumidity, 2.5, 3}, {sensors.RelativeHumidity, 105.5, 105}, {sensors.RelativeHumidity, -2.5, -2},
	} {
		a := NewAssessor(c.q, DefaultConfig(c.q))
		_, found := a.Assess(start, c.value)
		if f := finding(t, found, CheckGrossRange); f.Limit != c.limit || f.Size != c.value {
			t.Errorf("%v of %v: %+v, want the limit %v", c.q, c.value, f, c.limit)
		}
		// The ends themselves are good, or at least no worse than suspect.
		a = NewAssessor(c.q, DefaultConfig(c.q))
		flag, _ := a.Assess(start, c.limit)
		if user := a.c.User.Contains(c.limit); user && flag != sensors.NotEvaluated || !user && flag != sensors.Suspect {
			t.Errorf("%v of %v: %v", c.q, c.limit, flag)
		}
	}
}

// Limits that just go together.
func TestConfigAtItsLimits(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Config)
		good   bool
	}{
		"empty span":             {func(c *Config) { c.Sensor, c.User = Span{5, 5}, Span{} }, false},
		"user span of a sensor":  {func(c *Config) { c.User = c.Sensor }, true},
		"user span a bit lower":  {func(c *Config) { c.User = Span{c.Sensor.Low - 1, 50} }, false},
		"user span a bit higher": {func(c *Config) { c.User = Span{-10, c.Sensor.High + 1} }, false},
		"one limit for both":     {func(c *Config) { c.SpikeFail = c.SpikeSuspect }, true},
		"failure alone":          {func(c *Config) { c.SpikeSuspect = 0 }, true},
		"window of two days":     {func(c *Config) { c.AttenuatedWindow = 48 * time.Hour }, true},
		"window of more":         {func(c *Config) { c.AttenuatedWindow = 48*time.Hour + 1 }, false},
		"window before now":      {func(c *Config) { c.AttenuatedWindow = -1 }, false},
		"flat before now":        {func(c *Config) { c.FlatMin = -1 }, false},
		"flat unit before now":   {func(c *Config) { c.FlatPerUnit = -1 }, false},
		"condensing before now":  {func(c *Config) { c.CondensingAfter = -1 }, false},
		"no times":               {func(c *Config) { c.Gap, c.FlatMin, c.FlatPerUnit, c.CondensingAfter = 0, 0, 0, 0 }, true},
		"endless limit":          {func(c *Config) { c.NoiseRatio = math.Inf(1) }, false},
		"limit below zero":       {func(c *Config) { c.FlatFail = -1 }, false},
	} {
		cfg := DefaultConfig(sensors.Temperature)
		c.change(&cfg)
		if err := cfg.Validate(); (err == nil) != c.good {
			t.Errorf("%s: %v, want it accepted: %v", name, err, c.good)
		}
	}
}

func TestClimateIsPartOfTheFlag(t *testing.T) {
	cfg := DefaultConfig(sensors.Temperature)
	cfg.Climate = []Climate{{Suspect: Span{20, 30}, Fail: Span{15, 35}}}
	for value, want := range map[float64]sensors.Flag{25: sensors.Pass, 31: sensors.Suspect, 36: sensors.Fail} {
		a := NewAssessor(sensors.Temperature, cfg)
		feed(a, start, time.Minute, 5, func(int) float64 { return value })
		flag, found := a.Assess(start.Add(5*time.Minute), value)
		if flag != want || has(found, CheckClimatology) != (want != sensors.Pass) {
			t.Errorf("%v °C: %v, %v, want %v", value, flag, found, want)
		}
	}
}

// What may change grows with the root of the time: 3 °C in a minute, 6.71 °C
// in five; 10 and 15 % in a minute, 20 and 30 % in four.
func TestStepsOverLongerTimes(t *testing.T) {
	for _, c := range []struct {
		q        sensors.Quantity
		level    float64
		minutes  int
		by       float64
		want     sensors.Flag
		suspects float64
	}{
		{sensors.Temperature, 25, 5, 6.7, sensors.Pass, 0},
		{sensors.Temperature, 25, 5, 6.8, sensors.Suspect, 3 * math.Sqrt(5)},
		{sensors.RelativeHumidity, 50, 4, 19.9, sensors.Pass, 0},
		{sensors.RelativeHumidity, 50, 4, 25, sensors.Suspect, 20},
		{sensors.RelativeHumidity, 50, 4, 31, sensors.Fail, 20},
	} {
		a := NewAssessor(c.q, DefaultConfig(c.q))
		feed(a, start, time.Minute, 61, func(int) float64 { return c.level })
		flag, found := a.Assess(start.Add(time.Duration(60+c.minutes)*time.Minute), c.level+c.by)
		if flag != c.want {
			t.Errorf("%v by %v in %d min: %v (%v), want %v", c.q, c.by, c.minutes, flag, found, c.want)
		}
		if c.suspects > 0 {
			if f := finding(t, found, CheckRateOfChange); math.Abs(f.Limit-c.suspects) > 1e-9 {
				t.Errorf("%v in %d min: limit %v, want %v", c.q, c.minutes, f.Limit, c.suspects)
			}
		}
	}
}

// After a suspect step, one that leads back to near the reading before it is
// none. Over 16 minutes near is 40 %.
func TestStepThatLeadsBack(t *testing.T) {
	for value, want := range map[float64]sensors.Flag{60: sensors.Pass, 20: sensors.Pass, 19.9: sensors.Fail} {
		a := NewAssessor(sensors.RelativeHumidity, DefaultConfig(sensors.RelativeHumidity))
		feed(a, start, 8*time.Minute, 20, func(int) float64 { return 60 })
		if flag, found := a.Assess(start.Add(160*time.Minute), 89); flag != sensors.Suspect {
			t.Fatalf("up: %v (%v)", flag, found)
		}
		if flag, found := a.Assess(start.Add(168*time.Minute), value); flag != want {
			t.Errorf("and to %v %%: %v (%v), want %v", value, flag, found, want)
		}
	}
}

// A reading off both neighbours by 8 and 16 % within ten minutes, by 16 and
// 32 % within forty.
func TestSpikesOfASlowSensor(t *testing.T) {
	for by, want := range map[float64]sensors.Flag{15: 0, 20: sensors.Suspect, 33: sensors.Fail} {
		a := NewAssessor(sensors.RelativeHumidity, DefaultConfig(sensors.RelativeHumidity))
		const step = 40 * time.Minute
		feed(a, start, step, 20, func(int) float64 { return 50 })
		a.Assess(start.Add(20*step), 50+by)
		a.Assess(start.Add(21*step), 50)
		am, has := a.Amendment()
		if has != (want != 0) || am.Flag != want {
			t.Errorf("off by %v %%: %+v, %v, want %v", by, am, has, want)
		}
		if has && (am.Size != by || am.Limit != 16) {
			t.Errorf("off by %v %%: %+v, want a limit of 16", by, am)
		}
	}
}

// Three usual intervals may pass, and then the reading before says nothing.
func TestGapOfASlowSensor(t *testing.T) {
	for after, gap := range map[time.Duration]bool{29 * time.Minute: false, 30 * time.Minute: false, 30*time.Minute + time.Second: true} {
		a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
		feed(a, start, 10*time.Minute, 20, func(int) float64 { return 25 })
		_, found := a.Assess(start.Add(190*time.Minute+after), 25)
		if has(found, CheckGap) != gap {
			t.Errorf("after %v: %v, want a gap: %v", after, found, gap)
		}
		if gap {
			if f := finding(t, found, CheckGap); f.Limit != 1800 || f.Size != after.Seconds() {
				t.Errorf("gap %+v, want one above 1800 s", f)
			}
		}
	}
}

// The usual interval follows the middle of what is seen by small steps.
func TestIntervalIsLearned(t *testing.T) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	feed(a, start, time.Minute, 101, func(int) float64 { return 25 })
	at := start.Add(100 * time.Minute)
	for _, c := range []struct{ seconds, want float64 }{
		{60, 60}, {60.5, 60.5}, {60, 60}, {59.5, 59.5}, {60, 60},
		{300, 61.2}, {30, 61.2 * 0.98}, {60, 60}, {61.3, 61.2}, {60, 60}, {58.7, 58.8},
	} {
		at = at.Add(time.Duration(c.seconds * float64(time.Second)))
		a.Assess(at, 25)
		if got, _ := a.Interval(); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("after %v s: %v s, want %v", c.seconds, got, c.want)
		}
	}
	feed(a, at.Add(time.Minute), time.Minute, 1100, func(int) float64 { return 25 })
	if _, seen := a.Interval(); seen != 1000 {
		t.Errorf("%d intervals were seen, want counting to stop at 1000", seen)
	}
}

// Late readings are put aside. Five that run forward show that the newest was
// the wrong one; doubled ones, or ones that come in backwards, do not.
func TestLateReadingsThatRunForward(t *testing.T) {
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	feed(a, start, time.Minute, 101, func(int) float64 { return 25 })
	late := func(minute int, want bool) {
		t.Helper()
		_, found := a.Assess(start.Add(time.Duration(minute)*time.Minute), 25)
		if has(found, CheckOrder) != want {
			t.Errorf("minute %d: %v, want it late: %v", minute, found, want)
		}
		if want {
			if f := finding(t, found, CheckOrder); f.Size != float64(a.s.Newest-start.Add(time.Duration(minute)*time.Minute).UnixMilli())/1000 {
				t.Errorf("minute %d: late by %v s", minute, f.Size)
			}
		}
	}
	for _, minute := range []int{50, 50, 50, 50, 50, 50, 49, 48, 47, 46, 45, 44} {
		late(minute, true)
	}
	if _, found := a.Assess(start.Add(100*time.Minute), 25); finding(t, found, CheckOrder).Size != 0 {
		t.Errorf("the newest once more: %v", found)
	}
	late(101, false)
	// The count begins anew, also before the time of the last late one.
	for minute := 40; minute < 44; minute++ {
		late(minute, true)
	}
	late(44, false)
	late(45, false)
}

// watch observes a battery at noon of each day, from the first day on.
func watch(days ...float64) *BatteryWatch {
	b := &BatteryWatch{}
	for i, percent := range days {
		b.Observe(start.AddDate(0, 0, i).Add(12*time.Hour), percent)
	}
	// The next day closes the last.
	b.Observe(start.AddDate(0, 0, len(days)), days[len(days)-1])
	return b
}

func TestBatteryLimits(t *testing.T) {
	b := &BatteryWatch{}
	low := func(percent float64, want bool) {
		t.Helper()
		b.Observe(start.Add(time.Duration(percent)*time.Second), percent)
		if f, ok := b.Check(start); ok != want || ok && f.Check != CheckBatteryLow {
			t.Errorf("at %v %%: %+v, %v, want low: %v", percent, f, ok, want)
		}
	}
	low(20.1, false)
	low(20, true)
	low(24.9, true)
	low(25, false)
	low(0, true)
	for _, percent := range []float64{-1, 101, math.NaN()} {
		b.Observe(start, percent)
	}
	if f, _ := b.Check(start); f.Size != 0 || len(b.Today) != 5 {
		t.Errorf("impossible charges were taken: %+v", b)
	}
	// A low one of which today's readings are not known.
	if f, ok := (&BatteryWatch{LowSince: 1}).Check(start); !ok || f.Size != 0 {
		t.Errorf("%+v, %v", f, ok)
	}
}

// A day is the median of its newest 48 readings.
func TestBatteryDay(t *testing.T) {
	b := &BatteryWatch{}
	for i := range 49 {
		b.Observe(start.Add(time.Duration(i)*time.Minute), 30+float64(i))
	}
	b.Observe(start.AddDate(0, 0, 1), 30)
	// 31 to 78.
	if d := cmp.Diff([]float64{54.5}, b.Days); d != "" {
		t.Error(d)
	}
	for second, want := range map[float64][]float64{70: {50, 70}, 70.5: {70.5}} {
		if d := cmp.Diff(want, watch(50, second).Days); d != "" {
			t.Errorf("50 %% and then %v: %s", second, d)
		}
	}
}

// falls is a battery that loses so much a day and ends at a level.
func falls(perDay, level float64, days int) []float64 {
	list := make([]float64, days)
	for i := range list {
		list[i] = level + perDay*float64(days-1-i)
	}
	return list
}

func TestBatteryFade(t *testing.T) {
	if _, _, ok := watch(falls(1, 60, 6)...).Fade(start); ok {
		t.Error("six days show a trend")
	}
	// At noon of the last day nothing has gone since; half a day later, half.
	noon := start.AddDate(0, 0, 6).Add(12 * time.Hour)
	b := watch(falls(1, 60, 7)...)
	for after, want := range map[time.Duration]float64{0: 55, 12 * time.Hour: 54.5, 36 * time.Hour: 53.5, 100 * 24 * time.Hour: 0} {
		if slope, left, ok := b.Fade(noon.Add(after)); !ok || math.Abs(slope+1) > 1e-9 || math.Abs(left-want) > 1e-9 {
			t.Errorf("after %v: %v a day, %v days left (%v), want %v", after, slope, left, ok, want)
		}
	}
	if slope, left, ok := watch(falls(0, 60, 7)...).Fade(noon); !ok || slope != 0 || !math.IsInf(left, 1) {
		t.Errorf("a steady battery: %v a day, %v days left (%v)", slope, left, ok)
	}
	for _, c := range []struct {
		perDay, level float64
		after         time.Duration
		want          bool
	}{
		{1, 35, 0, true}, {1, 35.5, 0, false},
		// Half a percent a day is no trend, though it lasts for 29 days only.
		{0.5, 20.5, 48 * time.Hour, false}, {0.53125, 20.5, 48 * time.Hour, true}, {0.25, 20.5, 40 * 24 * time.Hour, false},
	} {
		if f, ok := watch(falls(c.perDay, c.level, 7)...).Check(noon.Add(c.after)); ok != c.want || ok && f.Check != CheckBatteryFading {
			t.Errorf("%v a day down to %v %%: %+v, %v, want %v", c.perDay, c.level, f, ok, c.want)
		}
	}
}
