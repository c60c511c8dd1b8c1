package quality

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

func TestHabit(t *testing.T) {
	for _, c := range []struct {
		name     string
		next     func(r *rand.Rand) time.Duration
		interval time.Duration
		silent   [2]time.Duration
	}{
		{"every ten seconds", func(*rand.Rand) time.Duration { return 10 * time.Second }, 10 * time.Second, [2]time.Duration{5 * time.Minute, 5 * time.Minute}},
		{"every five minutes", func(*rand.Rand) time.Duration { return 5 * time.Minute }, 5 * time.Minute, [2]time.Duration{13 * time.Minute, 17 * time.Minute}},
		{"hourly", func(*rand.Rand) time.Duration { return time.Hour }, time.Hour, [2]time.Duration{160 * time.Minute, 200 * time.Minute}},
		{"on change, up to two hours", func(r *rand.Rand) time.Duration {
			return time.Minute + time.Duration(r.ExpFloat64()*float64(20*time.Minute))
		}, 15 * time.Minute, [2]time.Duration{75 * time.Minute, 4 * time.Hour}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var h Habit
			r := rand.New(rand.NewPCG(1, 9))
			at := start
			if got := h.SilentAfter(); got != 2*time.Hour {
				t.Errorf("before learning %v", got)
			}
			for range 2000 {
				h.Observe(at)
				h.Observe(at.Add(100 * time.Millisecond)) // the other quantity of the same report
				at = at.Add(c.next(r))
			}
			got, ok := h.Interval()
			if !ok || math.Abs(math.Log2(got.Seconds()/c.interval.Seconds())) > 0.3 {
				t.Errorf("interval %v, want %v", got, c.interval)
			}
			if s := h.SilentAfter(); s < c.silent[0] || s > c.silent[1] {
				t.Errorf("silent after %v, want %v", s, c.silent)
			}
		})
	}
}

func TestHabitSilence(t *testing.T) {
	var h Habit
	if _, silent := h.Silent(start); silent {
		t.Error("a sensor never seen is called silent")
	}
	at := start
	for range 100 {
		h.Observe(at)
		at = at.Add(5 * time.Minute)
	}
	last := at.Add(-5 * time.Minute)
	if _, silent := h.Silent(last.Add(10 * time.Minute)); silent {
		t.Error("one missed report is called silence")
	}
	if since, silent := h.Silent(last.Add(20 * time.Minute)); !silent || !since.Equal(last) {
		t.Errorf("after 20 min: %v since %v", silent, since)
	}
	// Set to hourly: understood after four reports.
	for range 4 {
		last = last.Add(time.Hour)
		h.Observe(last)
	}
	if _, silent := h.Silent(last.Add(90 * time.Minute)); silent {
		t.Error("new habit not understood")
	}
	h.Observe(start.AddDate(5, 0, 0))
	h.Observe(last.Add(2 * time.Hour))
	if _, silent := h.Silent(last.Add(10 * time.Hour)); !silent {
		t.Error("a wrong time in the future hides silence")
	}
}

func TestClock(t *testing.T) {
	var c Clock
	for i := range 100 {
		own := start.Add(time.Duration(i) * time.Minute)
		lag := 200 * time.Millisecond
		if i%7 == 0 {
			lag = 3 * time.Hour // a backlog delivered late
		}
		c.Observe(own, own.Add(lag-90*time.Second))
		if _, ok := c.Skew(); ok != (i >= 4) {
			t.Fatalf("after %d readings ok is %v", i+1, ok)
		}
	}
	if skew, _ := c.Skew(); skew != -89800*time.Millisecond {
		t.Errorf("skew %v, want -89.8 s", skew)
	}
	if _, bad := c.Check(start, 2*time.Minute); bad {
		t.Error("complains within the limit")
	}
	if f, bad := c.Check(start, time.Minute); !bad || f.Size != 89.8 {
		t.Errorf("%v %+v, want a clock 89.8 s ahead", bad, f)
	}
}

func TestFlap(t *testing.T) {
	var f Flap
	at := start
	for i := range 4 {
		f.Arrive()
		f.Arrive()
		if _, bad := f.Check(at); bad {
			t.Errorf("flapping after %d departures", i)
		}
		at = at.Add(time.Hour)
		f.Leave(at)
	}
	if _, bad := f.Check(at); !bad {
		t.Error("four departures in four hours not found")
	}
	if _, bad := f.Check(at.Add(4 * time.Hour)); bad {
		t.Error("still flapping when it stayed away")
	}
}

func TestBatteryWatch(t *testing.T) {
	run := func(days int, level func(d float64) float64) (*BatteryWatch, time.Time) {
		b := &BatteryWatch{}
		at := start
		for ; at.Before(start.Add(time.Duration(days) * day)); at = at.Add(time.Hour) {
			b.Observe(at, level(at.Sub(start).Hours()/24))
		}
		return b, at
	}
	b, now := run(60, func(d float64) float64 { return 90 - d/20 + math.Round(math.Sin(d*7)) })
	if f, bad := b.Check(now); bad {
		t.Errorf("slow use complained of: %v", f)
	}
	b, now = run(32, func(d float64) float64 { return 90 - 2*d })
	perDay, left, ok := b.Fade(now)
	if !ok || math.Abs(perDay+2) > 0.05 || math.Abs(left-10.5) > 1 {
		t.Errorf("fade %g a day, %g days left", perDay, left)
	}
	if f, bad := b.Check(now); !bad || f.Check != CheckBatteryFading {
		t.Errorf("fading battery: %v %v", bad, f)
	}
	b.Observe(now, 19)
	if f, bad := b.Check(now); !bad || f.Check != CheckBatteryLow || f.Size != 19 {
		t.Errorf("low battery: %v %v", bad, f)
	}
	b.Observe(now.Add(time.Minute), 22)
	if f, _ := b.Check(now); f.Check != CheckBatteryLow {
		t.Error("low forgotten within the deadband")
	}
	for h := range 49 {
		b.Observe(now.Add(time.Duration(h)*time.Hour), 100)
	}
	if f, bad := b.Check(now); bad {
		t.Errorf("new battery complained of: %v", f)
	}
	b.Observe(now, math.NaN())
	b.Observe(now, 200)
	if f, bad := b.Check(now); bad {
		t.Errorf("nonsense complained of: %v", f)
	}
}

// every observes reports at even distances, so many intervals.
func every(h *Habit, at time.Time, step time.Duration, intervals int) time.Time {
	for range intervals {
		at = at.Add(step)
		h.Observe(at)
	}
	return at
}

// What is learned of an interval is the middle of its quarter octave.
func octave(seconds float64) float64 { return math.Exp2(math.Round(4*math.Log2(seconds)) / 4) }

func TestSilenceByHabit(t *testing.T) {
	for _, c := range []struct {
		name  string
		steps []time.Duration
		want  float64
	}{
		{"one report", nil, 7200},
		{"three of twenty minutes", []time.Duration{20 * time.Minute, 20 * time.Minute, 20 * time.Minute}, 3600},
		{"three times the longest", []time.Duration{20 * time.Minute, 30 * time.Minute, 20 * time.Minute}, 5400},
		{"half an hour at least", []time.Duration{5 * time.Minute, 5 * time.Minute}, 1800},
		{"two days at most", []time.Duration{30 * time.Hour}, 48 * 3600},
		{"seven intervals", slices.Repeat([]time.Duration{time.Minute}, 7), 1800},
		{"eight intervals", slices.Repeat([]time.Duration{10 * time.Minute}, 8), 3.3 * octave(600)},
		{"five minutes at least", slices.Repeat([]time.Duration{time.Second}, 8), 300},
		{"the newest four", append(slices.Repeat([]time.Duration{5 * time.Minute}, 400), slices.Repeat([]time.Duration{time.Hour}, 4)...), 7200},
		{"all but the longest hundredth", append(slices.Repeat([]time.Duration{5 * time.Minute}, 100), slices.Repeat([]time.Duration{time.Hour}, 3)...), 1.5 * octave(3600)},
		{"the longest hundredth", append(slices.Repeat([]time.Duration{5 * time.Minute}, 297), slices.Repeat([]time.Duration{time.Hour}, 3)...), 3.3 * octave(300)},
		{"two days at most, learned", slices.Repeat([]time.Duration{40 * time.Hour}, 8), 48 * 3600},
		{"half a second", slices.Repeat([]time.Duration{500 * time.Millisecond}, 8), 300},
	} {
		var h Habit
		at := start
		h.Observe(at)
		for _, step := range c.steps {
			at = every(&h, at, step, 1)
		}
		if h.Seen != len(c.steps) {
			t.Errorf("%s: %d intervals were seen", c.name, h.Seen)
		}
		if got := h.SilentAfter(); math.Abs(got.Seconds()-c.want) > 1e-3*c.want {
			t.Errorf("%s: silent after %v, want %v s", c.name, got, c.want)
		}
		if _, silent := h.Silent(at.Add(h.SilentAfter())); silent {
			t.Errorf("%s: silent when the time is just over", c.name)
		}
		if since, silent := h.Silent(at.Add(h.SilentAfter() + 1)); !silent || !since.Equal(at) {
			t.Errorf("%s: not silent since %v", c.name, at)
		}
		if _, known := h.Interval(); known != (len(c.steps) >= habitLearned) {
			t.Errorf("%s: the interval is known: %v", c.name, known)
		}
	}
}

// Reports that come late or twice teach nothing; one of long ago shows that
// the newest had a wrong time.
func TestHabitTakesReportsInOrder(t *testing.T) {
	var h Habit
	h.Observe(start)
	at := every(&h, start, 10*time.Minute, 10)
	for _, back := range []time.Duration{0, -499 * time.Millisecond, time.Minute, time.Hour} {
		h.Observe(at.Add(-back))
		if h.Newest != at.UnixMilli() || h.Seen != 10 {
			t.Errorf("a report %v before the newest was taken: %+v", back, h)
		}
	}
	back := at.Add(-time.Hour - time.Second)
	if h.Observe(back); h.Newest != back.UnixMilli() || h.Seen != 10 {
		t.Errorf("the newest is still %v", millis(h.Newest))
	}
}

// What was seen fades by half, so that a new habit is learned in the time that
// the old one took.
func TestHabitFades(t *testing.T) {
	var h Habit
	h.Observe(start)
	at := every(&h, start, 5*time.Minute, habitTotal-1)
	if h.Seen != habitTotal-1 {
		t.Fatalf("%d were seen", h.Seen)
	}
	at = every(&h, at, 5*time.Minute, 1)
	if h.Seen != habitTotal/2 {
		t.Fatalf("%d are left, want half of %d", h.Seen, habitTotal)
	}
	every(&h, at, 20*time.Minute, habitTotal/2-1)
	if got, _ := h.Interval(); math.Abs(got.Seconds()-octave(300)) > 1 {
		t.Errorf("nearly half of the new interval: %v", got)
	}
	every(&h, millis(h.Newest), 20*time.Minute, 2)
	if got, _ := h.Interval(); math.Abs(got.Seconds()-octave(1200)) > 1 {
		t.Errorf("more than half of the new interval: %v", got)
	}
}

// The newest 31 readings count, and a clock may be off by the limit.
func TestClockForgets(t *testing.T) {
	var c Clock
	observe := func(times int, behind time.Duration) {
		for range times {
			c.Observe(start, start.Add(behind))
		}
	}
	observe(100, 10*time.Second)
	observe(15, 20*time.Second)
	if skew, ok := c.Skew(); !ok || skew != 10*time.Second {
		t.Errorf("15 of 31: %v, %v", skew, ok)
	}
	observe(1, 20*time.Second)
	if skew, _ := c.Skew(); skew != 20*time.Second {
		t.Errorf("16 of 31: %v", skew)
	}
	if _, bad := c.Check(start, 20*time.Second); bad {
		t.Error("complains at the limit")
	}
	if f, bad := c.Check(start, 20*time.Second-1); !bad || f.Size != -20 || f.Check != CheckClockSkew {
		t.Errorf("beyond the limit: %+v, %v", f, bad)
	}
	for i := range 100 {
		observe(1, 20*time.Second)
		if _, ok := c.Skew(); !ok {
			t.Fatalf("after %d more the skew is not known", i)
		}
	}
	c = Clock{}
	for _, s := range []time.Duration{5, 1, 100, 2} {
		observe(1, s*time.Second)
	}
	if _, ok := c.Skew(); ok {
		t.Error("known after four readings")
	}
	observe(1, 3*time.Second)
	if skew, ok := c.Skew(); !ok || skew != 3*time.Second {
		t.Errorf("the middle of five: %v, %v", skew, ok)
	}
}

// Four departures within six hours, the first of them six hours ago at most;
// one that is gone cannot leave.
func TestFlapWindow(t *testing.T) {
	var f Flap
	for i := range 4 {
		f.Arrive()
		f.Leave(start.Add(time.Duration(i) * time.Hour))
		f.Leave(start.Add(time.Duration(i)*time.Hour + time.Minute))
	}
	if got, bad := f.Check(start.Add(6 * time.Hour)); !bad || !got.Since.Equal(start) || got.Size != 4 || got.Limit != 6 {
		t.Errorf("after six hours: %+v, %v", got, bad)
	}
	if _, bad := f.Check(start.Add(6*time.Hour + time.Millisecond)); bad {
		t.Error("after more than six hours")
	}
}
