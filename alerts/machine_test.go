package alerts_test

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
)

// order lets time pass, and gives an order if it can be carried out.
func order(m *alerts.Machine, o alerts.Order, now time.Time) ([]alerts.Transition, error) {
	out := m.Advance(now)
	if err := m.Check(o); err != nil {
		return out, err
	}
	return append(out, m.Carry(o)...), nil
}

// script feeds findings for one key, one letter a minute: T true, F false,
// U unknown, B between, and returns the minutes at which events happened.
func script(m *alerts.Machine, key alerts.Key, findings string) map[alerts.Event][]int {
	truths := map[rune]alerts.Truth{'T': alerts.True, 'F': alerts.False, 'U': alerts.Unknown, 'B': alerts.Between}
	got := map[alerts.Event][]int{}
	for i, letter := range findings {
		for _, tr := range m.Observe(alerts.Observation{
			Key: key, Time: start.Add(time.Duration(i) * time.Minute), Truth: truths[letter], Unit: "°C",
		}) {
			got[tr.Event] = append(got[tr.Event], int(tr.Time.Sub(start).Minutes()))
		}
	}
	return got
}

func TestDelays(t *testing.T) {
	for _, c := range []struct {
		name, findings string
		raise, back    []int
	}{
		{"on-delay of five minutes", "TTTTTT", []int{5}, nil},
		{"interrupted on-delay starts afresh", "TTTTFTTTTTT", []int{10}, nil},
		{"within the deadband is not beyond the limit", "TTTBTTTTTT", []int{9}, nil},
		{"unknown stops the on-delay, which then goes on", "TTTUUTTTT", []int{7}, nil},
		{"unknown for longer than the on-delay: evidence is stale", "TTTUUUUUUUTTTTTT", []int{15}, nil},
		{"never true, never raised", "FUBFUBFUUUUUUUUUUU", nil, nil},
		{"off-delay of three minutes", "TTTTTTFFFF", []int{5}, []int{9}},
		{"interrupted off-delay starts afresh", "TTTTTTFFTFFFF", []int{5}, []int{12}},
		{"between holds an active alarm", "TTTTTTBBBBBBBBBB", []int{5}, nil},
		{"unknown holds an active alarm", "TTTTTTUUUUUUUUUU", []int{5}, nil},
		{"unknown stops the off-delay, which then goes on", "TTTTTTFFUUFFF", []int{5}, []int{11}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			got := script(b.m, b.key, c.findings)
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

func TestTimersRunWithoutFindings(t *testing.T) {
	b := newBench(t)
	b.observe(b.key, alerts.True)
	out := b.m.Advance(start.Add(time.Hour))
	if len(out) != 1 || !out[0].Time.Equal(start.Add(onDelay)) {
		t.Errorf("got %+v, want one raise at the end of the on-delay", out)
	}
	late := b.m.Observe(alerts.Observation{Key: b.key, Time: start, Truth: alerts.False})
	if len(late) != 0 || !b.m.Alarm(b.key).ObservedAt.Equal(start.Add(time.Hour)) {
		t.Errorf("a finding from the past counted before the present: %+v", b.m.Alarm(b.key))
	}
}

func TestNumbersThatAreNone(t *testing.T) {
	b := newBench(t)
	for _, value := range []float64{math.NaN(), math.Inf(1)} {
		for i := range 20 {
			at := start.Add(time.Duration(i) * time.Minute)
			o := alerts.Observation{Key: b.key, Time: at, Truth: alerts.True, Value: value}
			if out := b.m.Observe(o); len(out) > 0 {
				t.Errorf("value %v raised an alarm: %+v", value, out)
			}
		}
	}
}

// A bounce every six minutes is quiet for longer than the off-delay, so that
// without the hold each would be a conversation of its own.
func TestComplaint13ChatteringIsHeld(t *testing.T) {
	m := newMachine(t, []alerts.Definition{definition("heat", func(d *alerts.Definition) { d.OffDelay = time.Minute })})
	key := alerts.Key{Condition: "heat", Room: "a"}
	got := script(m, key, strings.Repeat("TTTFFF", 20)+strings.Repeat("F", 40))
	want := map[alerts.Event][]int{
		alerts.EventRaise: {0}, alerts.EventRecur: {6, 12, 18},
		// The fourth activation within two hours starts the hold: the alarm
		// returns 30 min after the last time it was true.
		alerts.EventReturn: {4, 10, 16, 117 + 30},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestChatteringWithinAMinute(t *testing.T) {
	m := newMachine(t, []alerts.Definition{definition("heat", nil)})
	key := alerts.Key{Condition: "heat", Room: "a"}
	calls := 0
	for second := range 300 {
		truth := alerts.True
		if second/10%2 == 1 {
			truth = alerts.False
		}
		for _, tr := range m.Observe(alerts.Observation{Key: key, Time: start.Add(time.Duration(second) * time.Second), Truth: truth}) {
			if tr.Annunciate {
				calls++
			}
		}
	}
	if a := m.Alarm(key); calls != 3 || !a.Chattering || !a.Active {
		t.Errorf("%d calls, alarm %+v; want 3 calls, then held as chattering", calls, a)
	}
}

func TestFleeting(t *testing.T) {
	for _, c := range []struct {
		seconds int
		want    bool
	}{{30, true}, {59, true}, {60, false}, {3600, false}} {
		b := newBench(t)
		b.observe(b.key, alerts.True)
		b.now = start.Add(onDelay + time.Duration(c.seconds)*time.Second)
		b.observe(b.key, alerts.False)
		b.m.Advance(b.now.Add(offDelay))
		if a := b.m.Alarm(b.key); a.Fleeting != c.want || a.State() != alerts.Returned {
			t.Errorf("true for %d s after raising: fleeting %v in state %v, want %v", c.seconds, a.Fleeting, a.State(), c.want)
		}
	}
}

func TestMoreUrgentConsequenceIsNotFolded(t *testing.T) {
	m := newMachine(t, []alerts.Definition{
		definition("link", nil),
		definition("heat", func(d *alerts.Definition) { d.Severity = alerts.Severe }),
		definition("silent", nil),
	}, alerts.FoldRule{Root: "link", Folds: []alerts.Condition{"heat", "silent"}})
	for _, c := range []alerts.Condition{"link", "heat", "silent"} {
		m.Observe(alerts.Observation{Key: alerts.Key{Condition: c, Room: "a"}, Time: start, Truth: alerts.True})
	}
	for c, want := range map[alerts.Condition]alerts.State{
		"link": alerts.Unacknowledged, "heat": alerts.Unacknowledged, "silent": alerts.Suppressed,
	} {
		if got := m.Alarm(alerts.Key{Condition: c, Room: "a"}).State(); got != want {
			t.Errorf("%s is %v, want %v", c, got, want)
		}
	}
}

func TestNamedRootsInACircle(t *testing.T) {
	m := newMachine(t, []alerts.Definition{definition("x", nil), definition("y", nil)})
	x, y := alerts.Key{Condition: "x"}, alerts.Key{Condition: "y"}
	m.Observe(alerts.Observation{Key: x, Time: start, Truth: alerts.True, Root: &y})
	m.Observe(alerts.Observation{Key: y, Time: start, Truth: alerts.True, Root: &x})
	called := 0
	for _, a := range m.Alarms() {
		called += a.Annunciations
		if a.Key == y && (a.Under == nil || *a.Under != x) {
			t.Errorf("y is not under x: %+v", a)
		}
	}
	if called != 1 {
		t.Errorf("%d calls, want 1: one root, one consequence", called)
	}
}

func TestRootOutOfServiceHidesNothing(t *testing.T) {
	b := newBench(t)
	b.event("root-raised")
	b.event("true")
	root := alerts.Key{Condition: "root"}
	out, err := order(b.m, alerts.Order{Verb: alerts.TakeOut, Key: root, Who: "ann", Reason: "broker moved"}, b.now)
	if err != nil {
		t.Fatal(err)
	}
	if last := out[len(out)-1]; last.Key != b.key || !last.Annunciate {
		t.Errorf("got %+v, want the consequence to call", out)
	}
}

func TestRefusedCommands(t *testing.T) {
	b := newBench(t)
	stranger := alerts.Key{Condition: "flood"}
	for name, c := range map[string]struct {
		order alerts.Order
		want  error
	}{
		"unknown condition":   {alerts.Order{Verb: alerts.Acknowledge, Key: stranger, Who: "ann"}, alerts.ErrUndefined},
		"nobody":              {alerts.Order{Verb: alerts.Acknowledge, Key: b.key, Who: " "}, alerts.ErrArgument},
		"shelved for nothing": {alerts.Order{Verb: alerts.Shelve, Key: b.key, Who: "ann", For: time.Hour}, alerts.ErrArgument},
		"shelved too long":    {alerts.Order{Verb: alerts.Shelve, Key: b.key, Who: "ann", Reason: "why", For: 25 * time.Hour}, alerts.ErrArgument},
		"shelved for no time": {alerts.Order{Verb: alerts.Shelve, Key: b.key, Who: "ann", Reason: "why"}, alerts.ErrArgument},
		"out without reason":  {alerts.Order{Verb: alerts.TakeOut, Key: b.key, Who: "ann"}, alerts.ErrArgument},
		"no such verb":        {alerts.Order{Verb: "hide", Key: b.key, Who: "ann"}, alerts.ErrArgument},
	} {
		if _, err := order(b.m, c.order, start); !errors.Is(err, c.want) {
			t.Errorf("%s: got %v, want %v", name, err, c.want)
		}
		if steps := b.m.Carry(c.order); len(steps) != 0 || len(b.m.Memory()) != 0 {
			t.Errorf("%s: carried out all the same: %+v", name, steps)
		}
	}
}

func TestRestoreWithoutDefinition(t *testing.T) {
	b := newBench(t)
	gone := alerts.Alarm{Key: alerts.Key{Condition: "gone"}, Occurrence: 41, Active: true}
	undefined := b.m.Restore([]alerts.Alarm{gone})
	if diff := cmp.Diff([]alerts.Alarm{gone}, undefined); diff != "" {
		t.Errorf("undefined (-want +got):\n%s", diff)
	}
	b.event("true")
	if got := b.m.Alarm(b.key).Occurrence; got != 42 {
		t.Errorf("next occurrence is %d, want 42", got)
	}
}

// A rule taken out of the configuration must not leave its consequences
// silent for ever.
func TestRestoreUnderARuleThatIsGone(t *testing.T) {
	b := newBench(t)
	b.event("root-raised")
	b.event("true")
	m := newMachine(t, []alerts.Definition{definition("heat", nil), definition("root", nil)})
	m.Restore(b.m.Memory())
	out := m.Advance(b.now)
	if len(out) != 1 || out[0].Key != b.key || !out[0].Annunciate {
		t.Errorf("got %+v, want one call of the consequence", out)
	}
}

// An alarm that owes a call and is silenced by nothing that still exists must
// not stay silent.
func TestRestoreOwingACall(t *testing.T) {
	b := newBench(t)
	b.m.Restore([]alerts.Alarm{{Key: b.key, Occurrence: 7, Active: true, Owed: true, Course: alerts.Course{RaisedAt: start}, UpdatedAt: start}})
	out := b.m.Advance(start.Add(time.Minute))
	if len(out) != 1 || out[0].Key != b.key || !out[0].Annunciate || b.m.Alarm(b.key).Owed {
		t.Errorf("got %+v, want one call", out)
	}
}

func TestFalseDoesNotLetGoDuringTheOffDelay(t *testing.T) {
	timed := func(d *alerts.Definition) { d.OffDelay = time.Minute }
	m := newMachine(t, []alerts.Definition{definition("heat", timed), definition("heater", nil)})
	heater, heat := alerts.Key{Condition: "heater"}, alerts.Key{Condition: "heat"}
	m.Observe(alerts.Observation{Key: heater, Time: start, Truth: alerts.True})
	m.Observe(alerts.Observation{Key: heat, Time: start, Truth: alerts.True, Root: &heater})
	out := m.Observe(alerts.Observation{Key: heat, Time: start.Add(time.Second), Truth: alerts.False})
	out = append(out, m.Advance(start.Add(time.Hour))...)
	for _, tr := range out {
		if tr.Annunciate {
			t.Errorf("called while returning: %+v", tr)
		}
	}
	if got := m.Alarm(heat).State(); got != alerts.Normal {
		t.Errorf("heat is %v, want normal", got)
	}
}

// The news that an acknowledged alarm is over still says what it was.
func TestClosingTransitionCarriesTheAlarm(t *testing.T) {
	b := newBench(t)
	b.event("true")
	raised := b.out[len(b.out)-1]
	b.event("acknowledge")
	b.event("false")
	cleared := b.out[len(b.out)-1]
	if b.m.Alarm(b.key).Occurrence != 0 || !cleared.Cleared {
		t.Fatalf("not closed by %+v", cleared)
	}
	got := cleared.Alarm
	if got.Annunciations != 1 || got.AckedBy != "ann" || !got.RaisedAt.Equal(raised.Time) || !got.ClearedAt.Equal(cleared.Time) || got.Occurrence != raised.Occurrence {
		t.Errorf("the closing transition carries %+v", got)
	}
	if raised.Alarm.Annunciations != 1 {
		t.Errorf("the raising transition counts %d calls, want its own", raised.Alarm.Annunciations)
	}
}

func TestUrgentFirst(t *testing.T) {
	m := newMachine(t, []alerts.Definition{
		definition("low", func(d *alerts.Definition) { d.Severity = alerts.Minor }),
		definition("high", func(d *alerts.Definition) { d.Severity = alerts.Major }),
	})
	var want []alerts.Key
	for i, c := range []alerts.Condition{"low", "high", "high"} {
		key := alerts.Key{Condition: c, Room: "a", Subject: string(rune('z' - i))}
		m.Observe(alerts.Observation{Key: key, Time: start.Add(time.Duration(i) * time.Minute), Truth: alerts.True})
		want = append(want, key)
	}
	want = append(want[1:], want[0])
	var got []alerts.Key
	for _, a := range m.Alarms() {
		got = append(got, a.Key)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("order (-want +got):\n%s", diff)
	}
}

// BenchmarkStorm is a mains failure: 500 sensors fall silent under one root
// and come back.
func BenchmarkStorm(b *testing.B) {
	m := newMachine(b, randomDefinitions, randomRules...)
	broker := alerts.Key{Condition: "broker"}
	now := start
	observe := func(key alerts.Key, truth alerts.Truth) {
		now = now.Add(time.Millisecond)
		m.Observe(alerts.Observation{Key: key, Time: now, Truth: truth})
	}
	for b.Loop() {
		observe(broker, alerts.True)
		for _, truth := range []alerts.Truth{alerts.True, alerts.False} {
			for i := range 500 {
				observe(alerts.Key{Condition: "silent", Room: "a", Subject: strconv.Itoa(i)}, truth)
			}
		}
		observe(broker, alerts.False)
		now = now.Add(5 * time.Hour)
		m.Advance(now)
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/1002, "µs/finding")
}

// An alarm that nobody acknowledges calls again after pauses that grow, under
// numbers that go on, until somebody does.
func TestRepeatsUntilAcknowledged(t *testing.T) {
	pauses := []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute}
	key := alerts.Key{Condition: "heat", Room: "nursery"}
	m := newMachine(t, []alerts.Definition{definition("heat", func(d *alerts.Definition) { d.Repeat = pauses })})
	out := m.Observe(alerts.Observation{Key: key, Time: start, Truth: alerts.True})
	out = append(out, m.Advance(start.Add(50*time.Minute))...)
	var calls []int
	for i, tr := range out {
		if !tr.Annunciate || tr.Alarm.Annunciations != i+1 || (tr.Event == alerts.EventRepeat) != (i > 0) {
			t.Errorf("step %d: %+v", i, tr)
		}
		calls = append(calls, int(tr.Time.Sub(start).Minutes()))
	}
	if want := []int{0, 5, 15, 30, 45}; !slices.Equal(calls, want) {
		t.Errorf("called after %v minutes, want %v", calls, want)
	}
	if _, err := order(m, alerts.Order{Verb: alerts.Acknowledge, Key: key, Who: "ann"}, start.Add(50*time.Minute)); err != nil {
		t.Fatal(err)
	}
	// The time to respond is an hour.
	if out := m.Advance(start.Add(109 * time.Minute)); len(out) != 0 {
		t.Errorf("after it was acknowledged: %+v", out)
	}
	if got := m.Alarm(key).LastAnnunciated; !got.Equal(start) {
		t.Errorf("the call that was answered is timed %v, want %v", got, start)
	}
}
