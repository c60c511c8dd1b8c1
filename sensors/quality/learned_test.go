package quality

import (
	"math"
	"testing"
	"time"

	"rearguard/sensors"
)

// A step is a sensor's resolution once three have had its size, within a tenth.
func TestResolutionIsLearned(t *testing.T) {
	for _, c := range []struct {
		steps []float64
		want  float64
	}{
		{[]float64{0.1, 0.1}, 0},
		{[]float64{0.1, 0.1, 0.1}, 0.1},
		{[]float64{0.1, 0.109, 0.1}, 0.1},
		{[]float64{0.1, 0.091, 0.1}, 0.1},
		// Larger ones are several steps at once, smaller ones begin anew.
		{[]float64{0.1, 0.3, 0.1, 0.2, 0.1}, 0.1},
		{[]float64{0.2, 0.2, 0.1, 0.2, 0.1}, 0},
		{[]float64{0.2, 0.2, 0.1, 0.2, 0.1, 0.1}, 0.1},
		// What is known only becomes finer, and not by a single small step.
		{[]float64{0.1, 0.1, 0.1, 0.5, 0.5, 0.5, 0.5}, 0.1},
		{[]float64{0.1, 0.1, 0.1, 0.095, 0.095, 0.095, 0.095}, 0.1},
		{[]float64{0.1, 0.1, 0.1, 0.05, 0.05}, 0.1},
		{[]float64{0.1, 0.1, 0.1, 0.05, 0.05, 0.05}, 0.05},
		// Between them a size that is nearer to what is known.
		{[]float64{0.1, 0.1, 0.1, 0.05, 0.05, 0.08, 0.08, 0.08}, 0.08},
		{[]float64{0.1, 0.1, 0.1, 0.05, 0.08, 0.05, 0.05}, 0.1},
	} {
		var s stepState
		for _, step := range c.steps {
			s.learn(step)
		}
		if s.Resolution != c.want {
			t.Errorf("steps %v: resolution %v, want %v", c.steps, s.Resolution, c.want)
		}
	}
}

// The time a series may stand still: by its resolution, by its longest run,
// and by what nobody knows yet.
func TestFlatLimit(t *testing.T) {
	month := 30 * dayMillis
	for _, c := range []struct {
		name       string
		resolution float64
		longest    time.Duration
		ago        int64
		want       time.Duration
	}{
		{"nothing is known", 0, 0, 0, 24 * time.Hour},
		{"fine", 0.01, 0, 0, 3 * time.Hour},
		{"a tenth", 0.1, 0, 0, 12 * time.Hour},
		{"coarse", 2, 0, 0, 7 * 24 * time.Hour},
		{"it once stood still", 0.01, 5 * time.Hour, 0, 15 * time.Hour},
		{"a month ago", 0.01, 5 * time.Hour, month, 7*time.Hour + 30*time.Minute},
		{"two months ago", 0.01, 5 * time.Hour, 2 * month, 5 * time.Hour},
		{"it will", 0.01, 5 * time.Hour, -month, 15 * time.Hour},
		{"for days", 0.01, 100 * time.Hour, 0, 7 * 24 * time.Hour},
	} {
		a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
		a.s.Flat.Step.Resolution = c.resolution
		a.s.Flat.Longest, a.s.Flat.LongestAt = c.longest.Seconds(), start.UnixMilli()
		if got := a.flatLimit(start.UnixMilli() + c.ago); math.Abs(got-c.want.Seconds()) > 1e-6 {
			t.Errorf("%s: %v s, want %v", c.name, got, c.want)
		}
	}
}

// stuck feeds a sensor of known resolution the same value and returns the
// times after which it is suspect and fails, zero for never.
func stuck(q sensors.Quantity, resolution float64, step, lasts time.Duration) (a *Assessor, suspect, fail time.Duration) {
	a = NewAssessor(q, DefaultConfig(q))
	a.s.Flat.Step.Resolution = resolution
	for after := time.Duration(0); after <= lasts; after += step {
		flag, found := a.Assess(start.Add(after), 50-float64(q)*25)
		if suspect == 0 && flag == sensors.Suspect && has(found, CheckFlatLine) {
			suspect = after
		}
		if fail == 0 && flag == sensors.Fail {
			fail = after
		}
	}
	return a, suspect, fail
}

func TestFlatLineBegins(t *testing.T) {
	for _, c := range []struct {
		name          string
		q             sensors.Quantity
		resolution    float64
		step          time.Duration
		suspect, fail time.Duration
	}{
		{"thermometer", sensors.Temperature, 0.01, time.Minute, 3*time.Hour + time.Minute, 12*time.Hour + time.Minute},
		{"hygrometer", sensors.RelativeHumidity, 0.01, time.Minute, 3*time.Hour + time.Minute, 12*time.Hour + time.Minute},
		{"coarse hygrometer", sensors.RelativeHumidity, 0.5, time.Minute, 6*time.Hour + time.Minute, 24*time.Hour + time.Minute},
		// Twelve readings must agree; that the first half hour was no silence
		// is not known.
		{"slow thermometer", sensors.Temperature, 0.01, 30 * time.Minute, 5*time.Hour + 30*time.Minute, 13 * time.Hour},
	} {
		_, suspect, fail := stuck(c.q, c.resolution, c.step, 30*time.Hour)
		if suspect != c.suspect || fail != c.fail {
			t.Errorf("%s: suspect after %v and failing after %v, want %v and %v", c.name, suspect, fail, c.suspect, c.fail)
		}
	}
}

// A run that ended by itself is possible, up to half as long again as the
// limit was.
func TestFlatRunTeaches(t *testing.T) {
	for lasted, want := range map[time.Duration]time.Duration{2 * time.Hour: 2 * time.Hour, 10 * time.Hour: 4*time.Hour + 30*time.Minute} {
		a, _, _ := stuck(sensors.Temperature, 0.01, time.Minute, lasted)
		a.Assess(start.Add(lasted+time.Minute), 25.01)
		if got := a.s.Flat.Longest; got != want.Seconds() {
			t.Errorf("after %v: %v s, want %v", lasted, got, want)
		}
		// A shorter one teaches nothing.
		feed(a, start.Add(lasted+2*time.Minute), time.Minute, 30, func(int) float64 { return 25.01 })
		a.Assess(start.Add(lasted+40*time.Minute), 25.02)
		if got := a.s.Flat.Longest; got != want.Seconds() {
			t.Errorf("after a short run too: %v s, want %v", got, want)
		}
	}
}

func TestFlatRunTolerance(t *testing.T) {
	var r FlatRun
	for i, c := range []struct {
		value float64
		count int
	}{{20, 1}, {20.5, 2}, {19.5, 3}, {20.625, 1}, {20.125, 2}, {20, 1}} {
		r.take(int64(i), c.value, 60, 0.5)
		if r.Count != c.count || r.Seconds != 60*float64(c.count-1) {
			t.Errorf("reading %d: %+v, want %d in the run", i, r, c.count)
		}
	}
	// A first reading of nothing begins a run as well.
	r = FlatRun{}
	if r.take(7, 0, 60, 0.5); r.From != 7 || r.Seconds != 0 {
		t.Errorf("begun at 0: %+v", r)
	}
	for _, c := range []struct {
		r    FlatRun
		want sensors.Flag
	}{
		{FlatRun{Count: 3, Seconds: 100}, sensors.Pass},
		{FlatRun{Count: 3, Seconds: 100.5}, sensors.Suspect},
		{FlatRun{Count: 2, Seconds: 100.5}, sensors.Pass},
		{FlatRun{Count: 3, Seconds: 200}, sensors.Suspect},
		{FlatRun{Count: 3, Seconds: 200.5}, sensors.Fail},
	} {
		if got := c.r.grade(3, 100, 200); got != c.want {
			t.Errorf("%+v: %v, want %v", c.r, got, c.want)
		}
	}
}

// Wet from 99.5 % on, until it has come down by more than a percent; suspect
// after an hour.
func TestWetAndDry(t *testing.T) {
	a := NewAssessor(sensors.RelativeHumidity, DefaultConfig(sensors.RelativeHumidity))
	minute := 0
	next := func(value float64, wet bool) {
		t.Helper()
		a.Assess(start.Add(time.Duration(minute)*time.Minute), value)
		minute++
		if got := a.s.WetSince != 0; got != wet {
			t.Errorf("minute %d at %v %%: wet is %v", minute, value, got)
		}
	}
	next(98.6, false)
	next(99.4, false)
	next(99.5, true)
	next(98.5, true)
	next(98.4, false)
	next(99.4, false)
	next(99.5, true)
	since := minute - 1
	for minute < since+60 {
		next(100, true)
	}
	flag, found := a.Assess(start.Add(time.Duration(minute)*time.Minute), 100)
	if f := finding(t, found, CheckCondensing); flag != sensors.Suspect || f.Size != 3600 || f.Limit != 3600 {
		t.Errorf("after an hour: %v, %+v", flag, f)
	}
	if flag, found := a.Assess(start.Add(time.Duration(minute-1)*time.Minute+59*time.Second), 100); has(found, CheckCondensing) {
		t.Errorf("a late reading: %v %v", flag, found)
	}
}

func TestOtherUnits(t *testing.T) {
	for _, c := range []struct {
		q            sensors.Quantity
		value, level float64
		want         Check
		converted    float64
	}{
		{sensors.Temperature, 77, 25, CheckUnitFahr, 25},
		{sensors.Temperature, 77, 27, CheckUnitFahr, 25},
		{sensors.Temperature, 77, 23, CheckUnitFahr, 25},
		{sensors.Temperature, 77, 27.1, "", 0},
		{sensors.Temperature, 77, 22.9, "", 0},
		{sensors.Temperature, 298.15, 25, CheckUnitKelvin, 25},
		{sensors.Temperature, 298.15, 27.5, "", 0},
		// At -40 both scales meet, and a change of 8 °C is none of the unit.
		{sensors.Temperature, -40, -40, "", 0},
		{sensors.Temperature, -22, -30, "", 0},
		{sensors.Temperature, -22, -30.001, CheckUnitFahr, -30},
		{sensors.RelativeHumidity, 0.5, 50, CheckUnitRatio, 50},
		{sensors.RelativeHumidity, 0.5, 56, CheckUnitRatio, 50},
		{sensors.RelativeHumidity, 0.5, 56.1, "", 0},
		{sensors.RelativeHumidity, 1, 98, CheckUnitRatio, 100},
		{sensors.RelativeHumidity, 0, 5, "", 0},
		{sensors.RelativeHumidity, 1.01, 99, "", 0},
		{sensors.RelativeHumidity, -0.01, 12, "", 0},
		{sensors.Battery, 0.5, 50, "", 0},
	} {
		got, converted := inOtherUnit(c.q, c.value, c.level, DefaultConfig(c.q).UnitJump)
		if got != c.want || math.Abs(converted-c.converted) > 1e-9 {
			t.Errorf("%v %v after %v: %q %v, want %q %v", c.q, c.value, c.level, got, converted, c.want, c.converted)
		}
	}
	if got, _ := inOtherUnit(sensors.Temperature, 77, 25, 0); got != "" {
		t.Errorf("without a jump: %q", got)
	}
}

// A value in another unit is told by the last one of a day ago at most, and as
// long as it stays there.
func TestUnitChangesAndComesBack(t *testing.T) {
	for after, want := range map[time.Duration]bool{24 * time.Hour: true, 24*time.Hour + time.Second: false} {
		a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
		a.Assess(start, 25)
		_, found := a.Assess(start.Add(after), 77)
		if has(found, CheckUnitFahr) != want {
			t.Errorf("after %v: %v, want the unit told: %v", after, found, want)
		}
	}
	a := NewAssessor(sensors.Temperature, DefaultConfig(sensors.Temperature))
	feed(a, start, time.Minute, 10, func(int) float64 { return 25 })
	for i, value := range []float64{77, 78.8, 80.6, 82.4, 84.2} {
		flag, found := a.Assess(start.Add(time.Duration(10+i)*time.Minute), value)
		if f := finding(t, found, CheckUnitFahr); flag != sensors.Fail || !f.Since.Equal(start.Add(10*time.Minute)) || math.Abs(f.Limit-float64(25+i)) > 1e-9 {
			t.Errorf("%v °F: %v %+v", value, flag, f)
		}
	}
	if flag, found := a.Assess(start.Add(15*time.Minute), 25.5); flag != sensors.Pass || len(found) != 0 {
		t.Errorf("back in °C: %v %v", flag, found)
	}
}
