package alerts_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/wording"
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
		"34 °C on shelf 2":                      {Detail: wording.Report("34 °C on shelf 2")},
		"not known now: no sensor":              {Want: wording.Report("no sensor")},
		"34 °C on shelf 2; not known now: gone": {Detail: wording.Report("34 °C on shelf 2"), Want: wording.Report("gone")},
	} {
		if got := f.Words().String(); got != want {
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

// Each alarm runs out at its own time, and in that order.
func TestTimersRunInOrder(t *testing.T) {
	timed := func(d *alerts.Definition) { d.OnDelay = 5 * time.Minute }
	m := newMachine(t, []alerts.Definition{definition("cold", timed), definition("heat", timed)})
	for i, c := range []alerts.Condition{"heat", "cold"} {
		m.Observe(alerts.Observation{Key: alerts.Key{Condition: c, Room: "a"}, Time: start.Add(time.Duration(2*i) * time.Minute), Truth: alerts.True})
	}
	if out := m.Advance(start.Add(5*time.Minute - 1)); len(out) != 0 {
		t.Errorf("too early: %+v", out)
	}
	if out := m.Advance(start.Add(5 * time.Minute)); len(out) != 1 || out[0].Key.Condition != "heat" {
		t.Errorf("after 5 min: %+v, want heat alone", out)
	}
	if out := m.Advance(start.Add(time.Hour)); len(out) != 1 || out[0].Key.Condition != "cold" || !out[0].Time.Equal(start.Add(7*time.Minute)) {
		t.Errorf("later: %+v, want cold, 7 min after the start", out)
	}
}

// A root that ends in the same instant as its consequence does not let it go
// first, to call for what is over.
func TestRootEndsAfterItsConsequences(t *testing.T) {
	timed := func(d *alerts.Definition) { d.OffDelay = time.Minute }
	m := newMachine(t, []alerts.Definition{definition("a_root", timed), definition("z_leaf", timed)},
		alerts.FoldRule{Root: "a_root", Folds: []alerts.Condition{"z_leaf"}})
	for i, truth := range []alerts.Truth{alerts.True, alerts.False} {
		for _, c := range []alerts.Condition{"a_root", "z_leaf"} {
			m.Observe(alerts.Observation{Key: alerts.Key{Condition: c, Room: "a"}, Time: start.Add(time.Duration(i) * time.Hour), Truth: truth})
		}
	}
	var events []string
	for _, tr := range m.Advance(start.Add(2 * time.Hour)) {
		if tr.Annunciate {
			t.Errorf("%v calls at its end", tr.Key)
		}
		events = append(events, string(tr.Event)+" "+string(tr.Key.Condition))
	}
	if d := cmp.Diff([]string{"return z_leaf", "return a_root"}, events); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestNoReAlarmUnlessWanted(t *testing.T) {
	m := newMachine(t, []alerts.Definition{definition("heat", func(d *alerts.Definition) { d.TimeToRespond = 1001 * time.Hour })})
	key := alerts.Key{Condition: "heat", Room: "a"}
	m.Observe(alerts.Observation{Key: key, Time: start, Truth: alerts.True})
	if _, err := order(m, alerts.Order{Verb: alerts.Acknowledge, Key: key, Who: "ann"}, start); err != nil {
		t.Fatal(err)
	}
	if out := m.Advance(start.Add(1000 * time.Hour)); len(out) != 0 {
		t.Errorf("it calls again: %+v", out)
	}
}

// What people read in the audit, and how often a trouble came back.
func TestReasonsOfTransitions(t *testing.T) {
	for _, delay := range []time.Duration{0, time.Minute} {
		m := newMachine(t, []alerts.Definition{definition("heat", func(d *alerts.Definition) { d.OnDelay, d.OffDelay = delay, delay })})
		key := alerts.Key{Condition: "heat", Room: "a"}
		var reasons []string
		for i, truth := range []alerts.Truth{alerts.True, alerts.False, alerts.True} {
			at := start.Add(time.Duration(i) * time.Hour)
			for _, tr := range append(m.Observe(alerts.Observation{Key: key, Time: at, Truth: truth}), m.Advance(at.Add(time.Minute))...) {
				reasons = append(reasons, tr.Reason)
			}
		}
		want := []string{"condition true", "condition false", "condition true again"}
		if delay > 0 {
			want = []string{"condition true for 1m0s", "condition false for 1m0s", "condition true again"}
		}
		if d := cmp.Diff(want, reasons); d != "" {
			t.Errorf("delays of %v (-want +got):\n%s", delay, d)
		}
		if a := m.Alarm(key); a.Recurrences != 1 {
			t.Errorf("it came back %d times", a.Recurrences)
		}
	}
}

// That all is well again needs no words; what was wrong stays.
func TestDetailOfWhatWasWrong(t *testing.T) {
	m := newMachine(t, []alerts.Definition{definition("heat", nil)})
	key := alerts.Key{Condition: "heat", Room: "a"}
	for i, c := range []struct {
		truth        alerts.Truth
		detail, want string
	}{
		{alerts.True, "34 °C", "34 °C"}, {alerts.False, "", "34 °C"}, {alerts.False, "it was the door", "it was the door"},
		{alerts.True, "35 °C", "35 °C"}, {alerts.Between, "", ""}, {alerts.True, "36 °C", "36 °C"}, {alerts.True, "", ""},
	} {
		m.Observe(alerts.Observation{Key: key, Time: start.Add(time.Duration(i) * time.Minute), Truth: c.truth, Detail: wording.Report(c.detail)})
		if got := m.Alarm(key).Detail.String(); got != c.want {
			t.Errorf("finding %d: %q, want %q", i, got, c.want)
		}
	}
}

func TestNamesOfStates(t *testing.T) {
	for s := alerts.Normal; s <= alerts.OutOfService; s++ {
		text, err := s.MarshalText()
		var back alerts.State
		if err != nil || string(text) != s.String() || back.UnmarshalText(text) != nil || back != s {
			t.Errorf("%v: %q, %v, back %v", s, text, err, back)
		}
	}
	none := alerts.OutOfService + 1
	if _, err := none.MarshalText(); err == nil || none.String() != "state 7" {
		t.Errorf("one after the last: %q, %v", none, err)
	}
	if back := alerts.Shelved; back.UnmarshalText([]byte("asleep")) == nil || back != alerts.Shelved {
		t.Errorf("no state became %v", back)
	}
}

// Activations within a minute stay so when the clock is moved between them.
func TestChatteringOverAMovedClock(t *testing.T) {
	for _, by := range []time.Duration{time.Hour, -time.Hour} {
		m := newMachine(t, []alerts.Definition{definition("heat", nil)})
		key := alerts.Key{Condition: "heat", Room: "a"}
		for i := range 4 {
			truth := []alerts.Truth{alerts.True, alerts.False}[i%2]
			m.Observe(alerts.Observation{Key: key, Time: start.Add(time.Duration(15*i) * time.Second), Truth: truth})
		}
		at := start.Add(50 * time.Second)
		m.Resume(at, at.Add(by), false)
		m.Observe(alerts.Observation{Key: key, Time: start.Add(60*time.Second + by), Truth: alerts.True})
		if a := m.Alarm(key); !a.Chattering {
			t.Errorf("moved by %v: %+v", by, a)
		}
	}
}
