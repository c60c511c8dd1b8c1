package quality

import (
	"math"
	"math/rand/v2"
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
