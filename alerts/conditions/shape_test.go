package conditions_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/harm"
)

// course evaluates a room each minute along curves of temperature and
// humidity, with the memory going through JSON, and returns all findings.
func course(t *testing.T, minutes int, air func(minute int) (c, rh float64), change func(minute int, in *conditions.RoomState)) [][]alerts.Observation {
	t.Helper()
	var memory conditions.RoomMemory
	var out [][]alerts.Observation
	for minute := range minutes {
		in := room()
		in.Now = night.Add(time.Duration(minute) * time.Minute)
		c, rh := air(minute)
		in.TemperatureC, in.HumidityPercent = &c, &rh
		in.Warmest, in.Coldest, in.Driest, in.Dampest = point(c), point(c), point(rh), point(rh)
		if change != nil {
			change(minute, &in)
		}
		var found []alerts.Observation
		found, memory = judge(in, memory)
		out = append(out, found)
		if minute%restartEvery == 0 {
			memory = kept(t, memory)
		}
	}
	return out
}

// restartEvery is how many minutes pass between restarts in a course: often
// enough to fall anywhere in a trouble, and not so often that the test is one of
// encoding.
const restartEvery = 17

// kept is a memory as it comes back after a restart.
func kept(t *testing.T, memory conditions.RoomMemory) (back conditions.RoomMemory) {
	t.Helper()
	text, err := json.Marshal(memory)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	return back
}

func line(per, from float64) func(int) (float64, float64) {
	return func(minute int) (float64, float64) { return from + per*float64(minute)/60, 65 }
}

func TestApproach(t *testing.T) {
	// Limits of the test room: 33 °C and 18 °C.
	for _, c := range []struct {
		name      string
		air       func(int) (float64, float64)
		condition alerts.Condition
		want      alerts.Truth
		minutes   float64
	}{
		{"8 °C/h, 1.3 °C to go", line(8, 27.8), conditions.HeatApproaching, alerts.True, 1.2 / 8 * 60},
		{"8 °C/h, far to go", line(8, 20), conditions.HeatApproaching, alerts.False, 0},
		{"steady", line(0, 32), conditions.HeatApproaching, alerts.False, 0},
		{"slower than control wanders", line(0.5, 32), conditions.HeatApproaching, alerts.False, 0},
		{"there already", line(8, 31), conditions.HeatApproaching, alerts.Between, 0},
		{"at the limit", func(m int) (float64, float64) { return 33 - 8*float64(29-m)/60, 65 }, conditions.HeatApproaching, alerts.Between, 0},
		{"cooling towards cold", line(-6, 22), conditions.ChillApproaching, alerts.True, 1.1 / 6 * 60},
		{"cooling, not towards heat", line(-6, 22), conditions.HeatApproaching, alerts.False, 0},
		{
			"levels off below the limit", func(m int) (float64, float64) { return 32.5 - 4*math.Exp(-float64(m)/10), 65 },
			conditions.HeatApproaching, alerts.False, 0,
		},
		{
			"levels off above the limit", func(m int) (float64, float64) { return 36 - 10*math.Exp(-float64(m)/30), 65 },
			conditions.HeatApproaching, alerts.True,
			// 36 - 10 exp(-t/30) = 33 at t = 36.1; the last minute is 29.
			30*math.Log(10.0/3) - 29,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			minutes := 30
			out := course(t, minutes, c.air, nil)
			o := find(t, out[minutes-1], c.condition)
			if o.Truth != c.want {
				t.Fatalf("got %v, want %v: %+v", o.Truth, c.want, o)
			}
			if c.want != alerts.True {
				return
			}
			if got := o.Due.Sub(o.Time).Minutes(); math.Abs(got-c.minutes) > 0.15*c.minutes {
				t.Errorf("reaches it in %.1f min, want %.1f: %s", got, c.minutes, o.Detail.String())
			}
		})
	}
}

// What is further away than half an hour, and no more than an hour, ends no
// announcement and begins none.
func TestApproachFromAfar(t *testing.T) {
	const day = 24 * 60
	out := course(t, day+110, func(m int) (float64, float64) { return 24 + 4*float64(max(0, m-day))/60, 65 }, nil)
	for minute, want := range map[int]alerts.Truth{60: alerts.False, 90: alerts.Between, 109: alerts.True} {
		if o := find(t, out[day+minute], conditions.HeatApproaching); o.Truth != want {
			t.Errorf("%.1f °C at 4 °C/h, 33 °C is %v, want %v", o.Value, o.Truth, want)
		}
	}
}

func TestWhatApproachSays(t *testing.T) {
	o := find(t, course(t, 30, line(8, 27.8), nil)[29], conditions.HeatApproaching)
	for _, want := range []string{"reaches 33.0 °C in about 10 min (10 to 10)", "changing by +8.0 °C/h", "shelf 2", "(assumed)"} {
		if !strings.Contains(o.Detail.String(), want) {
			t.Errorf("%q does not say %q", o.Detail.String(), want)
		}
	}
}

// Where the change is not certain, the earliest and the latest time lie about
// the likely one, on the way up and on the way down.
func TestApproachSaysBetweenWhichTimes(t *testing.T) {
	for sign, c := range map[float64]alerts.Condition{1: conditions.HeatApproaching, -1: conditions.ChillApproaching} {
		from := 26.0 // 33 °C is heat
		if sign < 0 {
			from = 25.0 // 18 °C is chill
		}
		uncertain := func(m int) (float64, float64) { return from + sign*8*float64(m)/60 + 0.1*math.Sin(7*float64(m)), 65 }
		o := find(t, course(t, 30, uncertain, nil)[29], c)
		_, times, _ := strings.Cut(o.Detail.String(), " in about ")
		var likely, soonest, latest float64
		if _, err := fmt.Sscanf(times, "%f min (%f to %f)", &likely, &soonest, &latest); err != nil {
			t.Errorf("%s: %q: %v", c, o.Detail.String(), err)
		} else if soonest > likely || latest < likely || soonest == latest {
			t.Errorf("%s: %q", c, o.Detail.String())
		}
	}
}

// With noise of 0.1 °C about a steady 31 °C, 2 °C under the limit, nothing
// may be announced; ten rooms for a day.
func TestNoiseApproachesNothing(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	announced, evaluations := 0, 0
	for range fewer(10, 1) {
		for _, found := range course(t, 24*60, func(int) (float64, float64) { return 31 + 0.1*random.NormFloat64(), 65 }, nil) {
			evaluations++
			if find(t, found, conditions.HeatApproaching).Truth == alerts.True {
				announced++
			}
		}
	}
	t.Logf("%d of %d evaluations announce heat that never comes", announced, evaluations)
	if announced > 0 {
		t.Errorf("%d of %d evaluations announce heat", announced, evaluations)
	}
}

func TestDaySwing(t *testing.T) {
	swing := func(amplitude float64) func(int) (float64, float64) {
		return func(m int) (float64, float64) { return 25 + amplitude*math.Sin(2*math.Pi*float64(m)/1440), 65 }
	}
	limit := func(_ int, in *conditions.RoomState) { in.Limits.DaySwing = &conditions.Limit{Value: 8} }
	for amplitude, want := range map[float64]alerts.Truth{3: alerts.False, 3.9: alerts.Between, 4.5: alerts.True} {
		out := course(t, 25*60, swing(amplitude), limit)
		if o := find(t, out[len(out)-1], conditions.DaySwing); o.Truth != want || math.Abs(o.Value-2*amplitude) > 0.01 {
			t.Errorf("amplitude %v: %v with %v, want %v with %v", amplitude, o.Truth, o.Value, want, 2*amplitude)
		}
		if o := find(t, out[5*60], conditions.DaySwing); o.Truth != alerts.Unknown {
			t.Errorf("amplitude %v: %v after five hours, want unknown", amplitude, o.Truth)
		}
	}
}

func TestFastChange(t *testing.T) {
	limit := func(_ int, in *conditions.RoomState) { in.Limits.FastChange = &conditions.Limit{Value: 5} }
	for rate, want := range map[float64]alerts.Truth{0: alerts.False, 4: alerts.False, 4.8: alerts.Between, 7: alerts.True, -7: alerts.True} {
		out := course(t, 30, line(rate, 25), limit)
		if o := find(t, out[29], conditions.FastChange); o.Truth != want || math.Abs(o.Value-math.Abs(rate)) > 0.01 {
			t.Errorf("%v °C/h: %v with %v, want %v", rate, o.Truth, o.Value, want)
		}
	}
	out := course(t, 5, line(7, 25), limit)
	if o := find(t, out[4], conditions.FastChange); o.Truth != alerts.Unknown {
		t.Errorf("after five minutes: %v, want unknown", o.Truth)
	}
}

// The dew point of 25 °C and 75 % is 20.261 °C (IF97); see the check values
// of the air package.
func TestCondensation(t *testing.T) {
	surface := func(c float64) *conditions.Surface { return &conditions.Surface{TemperatureC: &c} }
	for _, c := range []struct {
		name    string
		surface *conditions.Surface
		want    alerts.Truth
	}{
		{"measured, colder than the dew point", surface(20.2), alerts.True},
		{"measured, a little warmer", surface(20.5), alerts.Between},
		{"measured, warmer", surface(21), alerts.False},
		{"assumed 5 °C below the air", &conditions.Surface{BelowAirC: 5}, alerts.True},
		{"assumed 3 °C below the air", &conditions.Surface{BelowAirC: 3}, alerts.False},
		{"not known", nil, alerts.False},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := course(t, 1, func(int) (float64, float64) { return 25, 75 }, func(_ int, in *conditions.RoomState) { in.Surface = c.surface })
			o := find(t, out[0], conditions.Condensation)
			if o.Truth != c.want {
				t.Errorf("got %v, want %v: %+v", o.Truth, c.want, o)
			}
			if c.surface != nil && math.Abs(o.Value-20.261) > 0.03 {
				t.Errorf("dew point %v, want 20.261", o.Value)
			}
		})
	}
}

// At 95.5 % and 25 °C spores germinate in 20 h (Luz & Fargues 1997), so half
// of the way takes 10 h; outside the window nothing grows.
func TestMouldRisk(t *testing.T) {
	limit := func(_ int, in *conditions.RoomState) { in.Limits.MouldRisk = &conditions.Limit{Value: 50} }
	for _, c := range []struct {
		name  string
		c, rh float64
		after float64 // hours, 0 for never within a day
	}{
		{"inside the window", 25, 95.5, 10}, {"at 90 %", 25, 90, 0}, {"too dry", 25, 89, 0}, {"too warm", 36, 99, 0}, {"too cold", 14, 99, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := course(t, 24*60, func(int) (float64, float64) { return c.c, c.rh }, limit)
			after := 0.0
			for minute, found := range out {
				if find(t, found, conditions.MouldRisk).Truth == alerts.True {
					after = float64(minute) / 60
					break
				}
			}
			if math.Abs(after-c.after) > 0.02 {
				t.Errorf("true after %.2f h, want %.2f", after, c.after)
			}
		})
	}
	t.Run("drying out ends it", func(t *testing.T) {
		out := course(t, 12*60, func(m int) (float64, float64) {
			if m > 11*60 {
				return 25, 80
			}
			return 25, 96
		}, limit)
		if o := find(t, out[11*60], conditions.MouldRisk); o.Truth != alerts.True {
			t.Errorf("before: %+v", o)
		}
		if o := find(t, out[11*60+1], conditions.MouldRisk); o.Truth != alerts.False {
			t.Errorf("after: %+v", o)
		}
	})
}

// A line of CTmax 44 °C and z 3.5 °C: at 40 °C death takes 13.895 min, at
// 37 °C 100 min, both from the formula by hand.
func TestHeatInjury(t *testing.T) {
	cohort := func(boundary float64) func(int, *conditions.RoomState) {
		return func(_ int, in *conditions.RoomState) {
			in.Cohorts = []conditions.HeatCohort{
				{ID: "tough", Stage: "pupa", Line: harm.Line{CTMaxC: 50, ZC: 3.5, BoundaryC: boundary}},
				{ID: "weak", Stage: "pupa", Line: harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: boundary}, Assumed: true},
			}
		}
	}
	at := func(c float64) func(int) (float64, float64) { return func(int) (float64, float64) { return c, 65 } }
	out := course(t, 41, at(37), cohort(34))
	o := find(t, out[40], conditions.HeatInjury)
	if o.Truth != alerts.True || math.Abs(o.Value-40) > 0.01 {
		t.Errorf("40 of 100 min: %v with %v %%, want true with 40", o.Truth, o.Value)
	}
	if got := o.Due.Sub(o.Time).Minutes(); math.Abs(got-60) > 0.01 {
		t.Errorf("%v min left, want 60", got)
	}
	want := "40 % of the lethal heat dose, cohort weak in pupa at 37.0 °C, shelf 2 (nursery-n); about 60 min to lethal injury; heat tolerance assumed"
	if o.Detail.String() != want {
		t.Errorf("says %q, want %q", o.Detail.String(), want)
	}
	if o := find(t, out[0], conditions.HeatInjury); o.Truth != alerts.True || o.Value != 0 {
		t.Errorf("at once: %v with %v %%, want true with 0, for little time is left", o.Truth, o.Value)
	}
	for c, want := range map[float64]alerts.Truth{34.5: alerts.Between, 33.8: alerts.Between, 33: alerts.False} {
		if o := find(t, course(t, 2, at(c), cohort(34))[1], conditions.HeatInjury); o.Truth != want {
			t.Errorf("%v °C: %v, want %v (%s)", c, o.Truth, want, o.Detail.String())
		}
	}
	if o := find(t, course(t, 1, at(40), nil)[0], conditions.HeatInjury); o.Truth != alerts.False {
		t.Errorf("no cohort: %v, want false", o.Truth)
	}
}

func TestHeatInjuryAcrossGaps(t *testing.T) {
	var memory conditions.RoomMemory
	in := room()
	in.Cohorts = []conditions.HeatCohort{{ID: "a", Line: harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: 34}}}
	in.Warmest = point(37)
	for _, minute := range []int{0, 20, 120, 130} { // the gap of 100 min is not counted
		in.Now = night.Add(time.Duration(minute) * time.Minute)
		_, memory = judge(in, memory)
	}
	if got := memory.Injuries["a"].Share; math.Abs(got-0.3) > 1e-9 {
		t.Errorf("injury %v, want 0.3: 30 of 100 min", got)
	}
	in.Blind = true
	out, kept := judge(in, memory)
	if o := find(t, out, conditions.HeatInjury); o.Truth != alerts.Unknown || kept.Injuries["a"] != memory.Injuries["a"] {
		t.Errorf("blind: %v, memory %v, want unknown and %v", o.Truth, kept.Injuries, memory.Injuries)
	}
	in.Blind, in.Cohorts = false, nil
	if _, gone := judge(in, memory); len(gone.Injuries) != 0 {
		t.Errorf("injury of a cohort that left is kept: %v", gone.Injuries)
	}
}

func TestCohorts(t *testing.T) {
	base := conditions.CohortState{
		Cohort: "atlas-3", Room: "nursery", Now: night, Stage: "pupa", Event: "eclosion",
		ExpectedMedian: night.Add(-72 * time.Hour), ExpectedLate: night.Add(-24 * time.Hour),
	}
	for _, c := range []struct {
		name      string
		change    func(*conditions.CohortState)
		condition alerts.Condition
		want      alerts.Truth
		detail    string
	}{
		{"late bound passed by half of what is waited", nil, conditions.CohortOverdue, alerts.False, ""},
		{
			"passed by more", func(in *conditions.CohortState) { in.Now = night.Add(25 * time.Hour) }, conditions.CohortOverdue, alerts.True,
			"cohort atlas-3 in pupa: eclosion expected about 26 Feb 02:00, at the latest 28 Feb 02:00, and none counted",
		},
		{"seen", func(in *conditions.CohortState) { in.Now, in.Seen = night.Add(99*time.Hour), true }, conditions.CohortOverdue, alerts.False, ""},
		{"no forecast", func(in *conditions.CohortState) { in.ExpectedLate = time.Time{} }, conditions.CohortOverdue, alerts.Unknown, ""},
		{"developing", nil, conditions.CohortStalled, alerts.False, ""},
		{"still for an hour", func(in *conditions.CohortState) { in.Still.Since = night.Add(-time.Hour) }, conditions.CohortStalled, alerts.Between, ""},
		{
			"still for a day", func(in *conditions.CohortState) {
				in.Still.Since = night.Add(-24 * time.Hour)
			},
			conditions.CohortStalled, alerts.True,
			"cohort atlas-3 in pupa has not developed since 28 Feb 02:00",
		},
		{
			"still for a day, an hour of it blind", func(in *conditions.CohortState) {
				in.Still = conditions.Standstill{Since: night.Add(-24 * time.Hour), Missed: time.Hour}
			},
			conditions.CohortStalled, alerts.Between,
			"cohort atlas-3 in pupa has not developed since 28 Feb 02:00, 60 min without data not counted",
		},
		{"blind", func(in *conditions.CohortState) { in.Still.Unseen = true }, conditions.CohortStalled, alerts.Unknown, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := base
			if c.change != nil {
				c.change(&in)
			}
			o := find(t, conditions.EvaluateCohort(in), c.condition)
			if o.Truth != c.want || c.detail != "" && o.Detail.String() != c.detail {
				t.Errorf("got %v %q, want %v %q", o.Truth, o.Detail.String(), c.want, c.detail)
			}
			if o.Key.Subject != "atlas-3" || o.Key.Room != "nursery" {
				t.Errorf("about %+v", o.Key)
			}
		})
	}
}

// Whatever comes in, nothing panics, and what is not known is not judged.
func TestNoNumberHarms(t *testing.T) {
	bad := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300, -273.16, 200}
	for _, x := range bad {
		var memory conditions.RoomMemory
		for minute := range 30 {
			in := room()
			in.Now = night.Add(time.Duration(minute) * time.Minute)
			in.TemperatureC, in.HumidityPercent = &x, &x
			in.Warmest, in.Coldest, in.Driest, in.Dampest, in.HighestVPD = point(x), point(x), point(x), point(x), point(x)
			in.Limits.DaySwing, in.Limits.FastChange = &conditions.Limit{Value: 8}, &conditions.Limit{Value: 5}
			in.Limits.MouldRisk, in.Surface = &conditions.Limit{Value: 50}, &conditions.Surface{BelowAirC: 5}
			in.Cohorts = []conditions.HeatCohort{{ID: "a", Line: harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: 34}}}
			var out []alerts.Observation
			out, memory = judge(in, memory)
			if math.IsNaN(x) || math.IsInf(x, 0) {
				for _, o := range out {
					known := o.Key.Condition == conditions.RoomBlind || o.Key.Condition == conditions.SensorSilent || o.Key.Condition == conditions.SensorFault
					if !known && o.Truth != alerts.Unknown {
						t.Errorf("%v: %s is %v", x, o.Key.Condition, o.Truth)
					}
				}
			}
			if _, err := json.Marshal(memory); err != nil {
				t.Fatalf("%v: memory cannot be stored: %v", x, err)
			}
		}
	}
}
