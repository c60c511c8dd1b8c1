package alerts_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
)

// turns has a condition without delays come true and end at times after start,
// by turns, and returns the alarm.
func turns(t *testing.T, times ...time.Duration) alerts.Alarm {
	t.Helper()
	m := newMachine(t, []alerts.Definition{definition("heat", nil)})
	key := alerts.Key{Condition: "heat", Room: "a"}
	for i, after := range times {
		truth := alerts.True
		if i%2 == 1 {
			truth = alerts.False
		}
		m.Observe(alerts.Observation{Key: key, Time: start.Add(after), Truth: truth})
	}
	return m.Alarm(key)
}

// The windows of chattering hold both of their ends.
func TestChatteringAtItsLimits(t *testing.T) {
	const s, m = time.Second, time.Minute
	for name, c := range map[string]struct {
		times []time.Duration
		want  bool
	}{
		"three within a minute":           {[]time.Duration{0, 15 * s, 30 * s, 45 * s, 60 * s}, true},
		"three within more than a minute": {[]time.Duration{0, 15 * s, 30 * s, 45 * s, 61 * s}, false},
		"two within a minute":             {[]time.Duration{0, 15 * s, 30 * s}, false},
		"four within two hours":           {[]time.Duration{0, m, 40 * m, 41 * m, 80 * m, 81 * m, 120 * m}, true},
		"four within more than two hours": {[]time.Duration{0, m, 40 * m, 41 * m, 80 * m, 81 * m, 120*m + s}, false},
		"the newest four":                 {[]time.Duration{0, m, 90 * m, 91 * m, 130 * m, 131 * m, 170 * m, 171 * m, 210 * m}, true},
	} {
		if a := turns(t, c.times...); a.Chattering != c.want || !a.Active {
			t.Errorf("%s: chattering is %v, want %v", name, a.Chattering, c.want)
		}
	}
}

// What ends soon after it came back is fleeting, however long ago it began.
func TestFleetingAfterItCameBack(t *testing.T) {
	for after, want := range map[time.Duration]bool{30 * time.Second: true, time.Minute: false} {
		if a := turns(t, 0, 10*time.Minute, time.Hour, time.Hour+after); a.Fleeting != want || a.State() != alerts.Returned {
			t.Errorf("true for %v: fleeting is %v in state %v, want %v", after, a.Fleeting, a.State(), want)
		}
	}
}

// Evidence is stale when nothing was known for longer than the delay itself.
func TestUnknownForAsLongAsTheDelay(t *testing.T) {
	for findings, want := range map[string]int{"TTTUUUUUTTTTTTTTTT": 10, "TTTUUUUUUTTTTTTTTT": 14} {
		b := newBench(t)
		got := script(b.m, b.key, findings)
		if d := cmp.Diff(map[alerts.Event][]int{alerts.EventRaise: {want}}, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", findings, d)
		}
	}
}

func TestTextsOfAlarms(t *testing.T) {
	for want, key := range map[string]alerts.Key{
		"heat":            {Condition: "heat"},
		"heat nursery":    {Condition: "heat", Room: "nursery"},
		"heat nursery s1": {Condition: "heat", Room: "nursery", Subject: "s1"},
		"clock s1":        {Condition: "clock", Subject: "s1"},
	} {
		if got := key.String(); got != want {
			t.Errorf("key %q, want %q", got, want)
		}
	}
	for want, f := range map[string]alerts.Finding{
		"":                                      {},
		"34 °C on shelf 2":                      {Detail: "34 °C on shelf 2"},
		"not known now: no sensor":              {Want: "no sensor"},
		"34 °C on shelf 2; not known now: gone": {Detail: "34 °C on shelf 2", Want: "gone"},
	} {
		if got := f.Words(); got != want {
			t.Errorf("words %q, want %q", got, want)
		}
	}
}

// A chain of consequences that all come true at one instant calls once, for
// the root, whatever the names.
func TestChainRaisedAtOnce(t *testing.T) {
	timed := func(d *alerts.Definition) { d.OnDelay = time.Minute }
	m := newMachine(t, []alerts.Definition{definition("a_leaf", timed), definition("m_middle", timed), definition("z_root", timed)},
		alerts.FoldRule{Root: "m_middle", Folds: []alerts.Condition{"a_leaf"}},
		alerts.FoldRule{Root: "z_root", Folds: []alerts.Condition{"m_middle"}})
	for _, c := range []alerts.Condition{"a_leaf", "m_middle", "z_root"} {
		m.Observe(alerts.Observation{Key: alerts.Key{Condition: c, Room: "a"}, Time: start, Truth: alerts.True})
	}
	var called []alerts.Condition
	for _, tr := range m.Advance(start.Add(time.Hour)) {
		if tr.Annunciate {
			called = append(called, tr.Key.Condition)
		}
	}
	if d := cmp.Diff([]alerts.Condition{"z_root"}, called); d != "" {
		t.Errorf("called (-want +got):\n%s", d)
	}
}

func TestLongestShelving(t *testing.T) {
	m := newMachine(t, []alerts.Definition{definition("heat", nil)})
	for length, good := range map[time.Duration]bool{0: false, 1: true, alerts.MaxShelving: true, alerts.MaxShelving + 1: false} {
		o := alerts.Order{Verb: alerts.Shelve, Key: alerts.Key{Condition: "heat", Room: "a"}, Who: "ann", Reason: "sensor moved", For: length}
		if err := m.Check(o); (err == nil) != good {
			t.Errorf("shelving for %v: %v, want it allowed: %v", length, err, good)
		}
	}
}
