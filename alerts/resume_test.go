package alerts_test

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/alerts"
)

// grace is how long heat stays folded after its root in newTimedMachine.
const grace = 10 * time.Minute

func newTimedMachine(t *testing.T) *alerts.Machine {
	timed := func(d *alerts.Definition) {
		d.OnDelay, d.OffDelay, d.ReAlarm, d.TimeToRespond = onDelay, offDelay, reAlarm, 20*reAlarm
	}
	return newMachine(t, []alerts.Definition{definition("heat", timed), definition("root", nil)},
		alerts.FoldRule{Root: "root", Folds: []alerts.Condition{"heat"}, Grace: grace})
}

// restarted is a machine that knows what records would have kept of another.
func restarted(t *testing.T, m *alerts.Machine) *alerts.Machine {
	text, err := json.Marshal(m.Memory())
	if err != nil {
		t.Fatal(err)
	}
	var list []alerts.Alarm
	if err := json.Unmarshal(text, &list); err != nil {
		t.Fatal(err)
	}
	next := newTimedMachine(t)
	next.Restore(list)
	return next
}

// TestDelaysOverDowntime feeds findings as TestDelays does; nobody watches
// during the minutes of a stretch of letters d.
func TestDelaysOverDowntime(t *testing.T) {
	for _, c := range []struct {
		name, findings string
		raise, back    []int
	}{
		{"down for less than the on-delay: it goes on", "TTTddTTTT", []int{7}, nil},
		{"down for longer: what was found before is stale", "TTTdddddddTTTTTT", []int{15}, nil},
		{"hot before and well afterwards", "TTddddddddddFFFFFF", nil, nil},
		{"nothing is found afterwards", "TTTTdddUUUUUUUUUUUUU", nil, nil},
		{"an alarm stays as it was", "TTTTTTddddddddddUUUUUUUU", []int{5}, nil},
		{"within the limit before and hot afterwards", "TTTTTTFFddddddddddTTTTTT", []int{5}, nil},
		{"down for less than the off-delay: it goes on", "TTTTTTFFddFFF", []int{5}, []int{11}},
		{"down for longer, and well afterwards", "TTTTTTFFddddddFFFFF", []int{5}, []int{17}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			got := map[alerts.Event][]int{}
			note := func(out []alerts.Transition) {
				for _, tr := range out {
					got[tr.Event] = append(got[tr.Event], int(tr.Time.Sub(start).Minutes()))
				}
			}
			truths := map[rune]alerts.Truth{'T': alerts.True, 'F': alerts.False, 'U': alerts.Unknown}
			var down int
			for i, letter := range c.findings {
				at := start.Add(time.Duration(i) * time.Minute)
				if letter == 'd' {
					down++
					continue
				}
				if down > 0 {
					note(b.m.Resume(at.Add(-time.Duration(down)*time.Minute), at, true))
					down = 0
				}
				note(b.m.Observe(alerts.Observation{Key: b.key, Time: at, Truth: truths[letter]}))
			}
			want := map[alerts.Event][]int{}
			if c.raise != nil {
				want[alerts.EventRaise] = c.raise
			}
			if c.back != nil {
				want[alerts.EventReturn] = c.back
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Ten hours pass over an alarm that waits for something, or the clock is moved
// by ten hours, and it is seen how long from then the wait lasts.
func TestWaitsOverResume(t *testing.T) {
	const gap = 10 * time.Hour
	for _, c := range []struct {
		name string
		way  []string
		// before is how long before the gap the wait began.
		before time.Duration
		event  alerts.Event
		// left is how long the wait lasts from the resuming on, after ten hours
		// that passed and after a step of the clock, either way.
		passed, stepped time.Duration
	}{
		{"shelving", []string{"true", "shelve"}, time.Hour, alerts.EventShelvingEnds, shelving - time.Hour - gap, shelving - time.Hour},
		{"shelving that ends meanwhile", []string{"true", "shelve"}, 15 * time.Hour, alerts.EventShelvingEnds, 0, shelving - 15*time.Hour},
		{"re-alarm", []string{"true", "acknowledge"}, time.Hour, alerts.EventReAlarm, 0, reAlarm - time.Hour},
		{"on-delay", nil, 2 * time.Minute, alerts.EventRaise, -1, onDelay - 2*time.Minute},
		{"grace under a root", []string{"root-raised", "true", "root-returned"}, 2 * time.Minute, alerts.EventUnfold, grace - 2*time.Minute, grace - 2*time.Minute},
	} {
		for _, resume := range []struct {
			name   string
			by     time.Duration
			passed bool
			want   time.Duration
		}{
			{"down", gap, true, c.passed},
			{"clock set forward", gap, false, c.stepped},
			{"clock set back", -gap, false, c.stepped},
			{"down, and the clock set back", -gap, true, c.stepped},
		} {
			t.Run(c.name+", "+resume.name, func(t *testing.T) {
				b := newBench(t)
				b.m = newTimedMachine(t)
				for _, name := range c.way {
					b.event(name)
				}
				if c.way == nil {
					b.observe(b.key, alerts.True)
					if resume.passed {
						resume.want = -1
					}
				}
				before := b.m.Alarm(b.key)
				from := b.now.Add(c.before)
				at := from.Add(resume.by)
				out := b.m.Resume(from, at, resume.passed)
				after := b.m.Alarm(b.key)
				if after.Occurrence != before.Occurrence || !after.RaisedAt.Equal(before.RaisedAt) || after.Acked && (!after.AckedAt.Equal(before.AckedAt) || after.AckedBy != before.AckedBy) {
					t.Errorf("what identifies the occurrence changed: %+v, was %+v", after, before)
				}
				b.m = restarted(t, b.m)
				left := time.Duration(-1)
				for _, tr := range append(out, b.m.Advance(at.Add(100*time.Hour))...) {
					if tr.Event == c.event && left < 0 {
						left = tr.Time.Sub(at)
					}
				}
				if left != resume.want {
					t.Errorf("%s after %v, want %v (-1 is never)", c.event, left, resume.want)
				}
			})
		}
	}
}

// A sensor that was found well a minute before the clock was set back must not
// wait for the old time to come again.
func TestNothingIsStuckAheadOfTheClock(t *testing.T) {
	b := newBench(t)
	b.event("true")
	back := b.now.Add(-24 * 365 * time.Hour)
	b.m.Resume(b.now, back, false)
	b.m = restarted(t, b.m)
	b.now = back
	b.event("false")
	if a := b.m.Alarm(b.key); a.Active || !a.ClearedAt.Equal(back.Add(offDelay)) {
		t.Errorf("the alarm is %+v; want it returned %v after %v", a, offDelay, back)
	}
}

// TestRandomSteps: a clock that is moved, however often and either way, changes
// nothing but the times.
func TestRandomSteps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		plain, stepped := newMachineIn(t), newMachineIn(t)
		stored := map[alerts.Key][]byte{}
		now := start
		var moved time.Duration
		same := func(want, got []alerts.Transition) {
			for i := range got {
				got[i].Time = got[i].Time.Add(-moved)
			}
			strip := func(list []alerts.Transition) []alerts.Transition {
				list = slices.Clone(list)
				for i := range list {
					list[i].Alarm = alerts.Alarm{}
				}
				return list
			}
			if diff := cmp.Diff(strip(want), strip(got)); diff != "" {
				t.Fatalf("transitions change when the clock is moved (-plain +moved):\n%s", diff)
			}
		}
		for range rapid.IntRange(1, 60).Draw(t, "operations") {
			now = now.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 20, 60, 120, 300, 900, 3600, 15000}).Draw(t, "seconds")) * time.Second)
			if rapid.IntRange(0, 4).Draw(t, "move") == 0 {
				by := time.Duration(rapid.SampledFrom([]int{-40000000, -86400, -3600, -61, -1, 1, 90, 7200, 40000000}).Draw(t, "by")) * time.Second
				same(plain.m.Advance(now), stepped.m.Resume(now.Add(moved), now.Add(moved+by), false))
				moved += by
			}
			op := drawOperation(t, now)
			want := op.on(plain.m)
			op.now = now.Add(moved)
			same(want, op.on(stepped.m))
			stepped.m = restart(t, stepped.m, stored)
		}
		final := now.Add(100 * time.Hour)
		same(plain.m.Advance(final), stepped.m.Advance(final.Add(moved)))
	})
}

// TestRandomDowntime: while nobody watches, and until something is found
// again, nothing begins and nothing ends, and nothing happens in between.
func TestRandomDowntime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newMachineIn(t)
		now := start
		for range rapid.IntRange(1, 40).Draw(t, "operations") {
			now = now.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 20, 60, 120, 300, 900}).Draw(t, "seconds")) * time.Second)
			r.takeAll(drawOperation(t, now).on(r.m))
		}
		from := now.Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "alive")) * time.Second)
		at := from.Add(time.Duration(rapid.IntRange(-200000, 200000).Draw(t, "gap")) * time.Second)
		r.takeAll(r.m.Advance(from))
		out := r.m.Resume(from, at, true)
		for _, tr := range out {
			if !tr.Time.Equal(at) {
				t.Fatalf("happened at another time than %v: %+v", at, tr)
			}
		}
		r.m = restart(t, r.m, map[alerts.Key][]byte{})
		for _, tr := range append(out, r.m.Advance(at.Add(1000*time.Hour))...) {
			if tr.Time.Before(at) {
				t.Fatalf("happened before %v: %+v", at, tr)
			}
			switch tr.Event {
			case alerts.EventRaise, alerts.EventRecur, alerts.EventReturn:
				t.Fatalf("without anything found after %v: %+v", at, tr)
			}
		}
	})
}
