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

var (
	randomDefinitions = []alerts.Definition{
		definition("heat", func(d *alerts.Definition) {
			d.OnDelay, d.OffDelay, d.ReAlarm = 5*time.Minute, 3*time.Minute, 3*time.Hour
			d.Repeat = []time.Duration{20 * time.Minute, time.Hour}
		}),
		definition("leak", func(d *alerts.Definition) { d.OnDelay, d.OffDelay = time.Minute, time.Minute }),
		definition("silent", nil),
		definition("blind", func(d *alerts.Definition) { d.OnDelay = time.Minute }),
		definition("broker", func(d *alerts.Definition) { d.Severity = alerts.Major }),
	}
	randomRules = []alerts.FoldRule{
		{Root: "broker", Folds: []alerts.Condition{"blind", "silent"}, Grace: 4 * time.Minute},
		{Root: "blind", Folds: []alerts.Condition{"silent", "leak"}},
	}
	randomKeys = []alerts.Key{
		{Condition: "heat", Room: "a"}, {Condition: "leak", Room: "a"},
		{Condition: "silent", Room: "a", Subject: "s1"}, {Condition: "silent", Room: "b", Subject: "s2"},
		{Condition: "blind", Room: "a"}, {Condition: "broker"},
	}
)

// operation is one call on a machine, drawn once and given to many.
type operation struct {
	kind  string
	key   alerts.Key
	truth alerts.Truth
	root  *alerts.Key
	now   time.Time
}

func drawOperation(t *rapid.T, now time.Time) operation {
	op := operation{
		kind: rapid.SampledFrom([]string{
			"observe", "observe", "observe", "observe", "observe", "observe", "advance", "acknowledge", "acknowledge", "going",
			"shelve", "unshelve", "out", "in",
		}).Draw(t, "kind"),
		key:   rapid.SampledFrom(randomKeys).Draw(t, "key"),
		truth: rapid.SampledFrom([]alerts.Truth{alerts.True, alerts.True, alerts.False, alerts.False, alerts.Unknown, alerts.Between}).Draw(t, "truth"),
		now:   now,
	}
	if rapid.IntRange(0, 9).Draw(t, "named") == 0 {
		root := rapid.SampledFrom(randomKeys).Draw(t, "root")
		op.root = &root
	}
	return op
}

func (op operation) on(m *alerts.Machine) []alerts.Transition {
	var out []alerts.Transition
	switch op.kind {
	case "observe":
		out = m.Observe(alerts.Observation{Key: op.key, Time: op.now, Truth: op.truth, Value: 30, Limit: 29, Unit: "°C", Root: op.root})
	case "advance":
		out = m.Advance(op.now)
	case "acknowledge":
		out, _ = order(m, alerts.Order{Verb: alerts.Acknowledge, Key: op.key, Who: "ann"}, op.now)
	case "going":
		out, _ = order(m, alerts.Order{Verb: alerts.Going, Key: op.key, Who: "ben"}, op.now)
	case "shelve":
		out, _ = order(m, alerts.Order{Verb: alerts.Shelve, Key: op.key, Who: "ann", Reason: "why", For: 40 * time.Minute}, op.now)
	case "unshelve":
		out, _ = order(m, alerts.Order{Verb: alerts.Unshelve, Key: op.key, Who: "ann"}, op.now)
	case "out":
		out, _ = order(m, alerts.Order{Verb: alerts.TakeOut, Key: op.key, Who: "ann", Reason: "why"}, op.now)
	case "in":
		out, _ = order(m, alerts.Order{Verb: alerts.Return, Key: op.key, Who: "ann"}, op.now)
	}
	return out
}

// watcher follows the transitions of one alarm as the audit would, and checks
// them without knowing how the machine works.
type watcher struct {
	state        alerts.State
	occurrence   int64
	calls        int
	acknowledged bool
	active       bool
	owed         bool // silenced by hand since the last call
	by           map[alerts.Event]bool
	since        map[alerts.Truth]time.Time
	truth        alerts.Truth
}

func silenced(s alerts.State) bool {
	return s == alerts.Shelved || s == alerts.Suppressed || s == alerts.OutOfService
}

func (w *watcher) take(t *rapid.T, tr alerts.Transition, newest *int64) {
	if tr.From != w.state {
		t.Fatalf("chain broken: was %v, transition %+v", w.state, tr)
	}
	switch tr.Event {
	case alerts.EventRaise:
		if tr.Occurrence <= *newest {
			t.Fatalf("occurrence %d after %d: %+v", tr.Occurrence, *newest, tr)
		}
		*newest = tr.Occurrence
		w.occurrence, w.calls, w.acknowledged = tr.Occurrence, 0, false
		w.owed = silenced(tr.From)
		w.active = true
	case alerts.EventRecur:
		w.active, w.acknowledged = true, false
		// People may have heard that it was over: a call is owed.
		w.owed = silenced(tr.To)
	case alerts.EventReturn:
		w.active = false
	case alerts.EventAcknowledge, alerts.EventGoing:
		w.acknowledged = true
		// Under a root alone, whoever acknowledges has seen it.
		w.owed = w.owed && len(w.by) > 0
	case alerts.EventUnshelve, alerts.EventShelvingEnds:
		delete(w.by, alerts.EventShelve)
	case alerts.EventReturnToService:
		delete(w.by, alerts.EventOutOfService)
	case alerts.EventShelve, alerts.EventOutOfService:
		w.owed, w.by[tr.Event] = true, true
		if w.occurrence != 0 {
			w.acknowledged = true
		}
	}
	if tr.Occurrence != 0 && tr.Occurrence != w.occurrence {
		t.Fatalf("transition of occurrence %d while %d is open: %+v", tr.Occurrence, w.occurrence, tr)
	}
	if tr.Annunciate {
		if silenced(tr.To) {
			t.Fatalf("called while silenced: %+v", tr)
		}
		if tr.To != alerts.Unacknowledged {
			t.Fatalf("called in state %v: %+v", tr.To, tr)
		}
		if tr.Event == alerts.EventRepeat && (tr.From != alerts.Unacknowledged || w.acknowledged || w.calls == 0) {
			t.Fatalf("repeated what was acknowledged or never called: %+v", tr)
		}
		fresh := tr.Event == alerts.EventRaise || tr.Event == alerts.EventRecur || tr.Event == alerts.EventReAlarm || tr.Event == alerts.EventInVain || tr.Event == alerts.EventRepeat
		if !fresh && w.calls > 0 && !w.owed {
			t.Fatalf("called twice: %+v", tr)
		}
		w.calls++
		w.acknowledged, w.owed = false, false
	} else if w.active && !silenced(tr.To) {
		if silenced(tr.From) && w.owed {
			t.Fatalf("left silence while active without a call: %+v", tr)
		}
		if w.calls == 0 && !w.acknowledged {
			t.Fatalf("active, not silenced and never called: %+v", tr)
		}
	}
	if tr.Cleared && tr.Event != alerts.EventReturn {
		t.Fatalf("cleared without a return: %+v", tr)
	}
	if tr.Event == alerts.EventReturn && tr.Cleared != (w.calls > 0) {
		t.Fatalf("cleared is %v after %d calls: %+v", tr.Cleared, w.calls, tr)
	}
	w.state = tr.To
	if !silenced(tr.To) && tr.To == alerts.Normal {
		w.owed = false
	}
}

// compare compares with the machine after an operation.
func (w *watcher) compare(t *rapid.T, a alerts.Alarm) {
	if a.State() != w.state {
		t.Fatalf("%v: machine says %v, transitions say %v", a.Key, a.State(), w.state)
	}
	if a.Active != w.active {
		t.Fatalf("%v: machine says active %v, transitions say %v", a.Key, a.Active, w.active)
	}
	if w.occurrence != 0 && a.Occurrence != w.occurrence {
		if w.calls > 0 && !w.acknowledged {
			t.Fatalf("%v: occurrence %d vanished before it was acknowledged", a.Key, w.occurrence)
		}
		w.occurrence = 0
	}
}

func TestRandomEvents(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		plain, ticked := newMachineIn(t), newMachineIn(t)
		restored := newMachineIn(t)
		stored := map[alerts.Key][]byte{}
		watchers := map[alerts.Key]*watcher{}
		for _, key := range randomKeys {
			watchers[key] = &watcher{since: map[alerts.Truth]time.Time{}, by: map[alerts.Event]bool{}}
		}
		var newest int64
		now := start
		for range rapid.IntRange(1, 80).Draw(t, "operations") {
			step := time.Duration(rapid.SampledFrom([]int{0, 0, 1, 20, 60, 120, 300, 900, 3600, 15000}).Draw(t, "seconds")) * time.Second
			if step > 0 && rapid.Bool().Draw(t, "tick") {
				ticked.takeAll(ticked.m.Advance(now.Add(step / 2)))
			}
			now = now.Add(step)
			op := drawOperation(t, now)
			out := op.on(plain.m)
			plain.takeAll(out)
			ticked.takeAll(op.on(ticked.m))
			restored.takeAll(op.on(restored.m))
			if op.kind == "observe" {
				watchers[op.key].finding(op.truth, now)
			}
			for _, tr := range out {
				watchers[tr.Key].take(t, tr, &newest)
			}
			for _, key := range randomKeys {
				// Timers must have run out before the outcome is judged.
				watchers[key].compare(t, plain.m.Alarm(key))
			}
			restored.m = restart(t, restored.m, stored)
		}
		final := now.Add(100 * time.Hour)
		for _, r := range []*runner{plain, ticked, restored} {
			r.takeAll(r.m.Advance(final))
		}
		if diff := cmp.Diff(plain.all, ticked.all); diff != "" {
			t.Fatalf("transitions depend on how often time is told (-plain +ticked):\n%s", diff)
		}
		if diff := cmp.Diff(plain.all, restored.all); diff != "" {
			t.Fatalf("transitions change over restarts (-plain +restored):\n%s", diff)
		}
		if diff := cmp.Diff(plain.m.Memory(), restored.m.Memory()); diff != "" {
			t.Fatalf("memory changes over restarts (-plain +restored):\n%s", diff)
		}
		for _, key := range randomKeys {
			watchers[key].held(t, plain.m.Alarm(key), final)
		}
	})
}

type runner struct {
	m   *alerts.Machine
	all []alerts.Transition
}

func newMachineIn(t *rapid.T) *runner {
	m, err := alerts.NewMachine(randomDefinitions, randomRules...)
	if err != nil {
		t.Fatal(err)
	}
	return &runner{m: m}
}

func (r *runner) takeAll(out []alerts.Transition) { r.all = append(r.all, out...) }

// restart stores what has changed, as JSON, and builds a new machine from the
// store alone.
func restart(t *rapid.T, m *alerts.Machine, stored map[alerts.Key][]byte) *alerts.Machine {
	for _, a := range m.TakeChanged() {
		text, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		stored[a.Key] = text
	}
	var list []alerts.Alarm
	for _, text := range stored {
		var a alerts.Alarm
		if err := json.Unmarshal(text, &a); err != nil {
			t.Fatal(err)
		}
		list = append(list, a)
	}
	next := newMachineIn(t).m
	if undefined := next.Restore(list); len(undefined) != 0 {
		t.Fatalf("undefined after restart: %v", undefined)
	}
	next.SetLastOccurrence(m.LastOccurrence())
	return next
}

// finding notes since when the present finding has been given without break.
func (w *watcher) finding(truth alerts.Truth, now time.Time) {
	if truth != w.truth || w.since[truth].IsZero() {
		w.truth = truth
		w.since = map[alerts.Truth]time.Time{truth: now}
	}
}

// held checks that a condition that was last found true and stayed so became
// an alarm, and that one last found false and stayed so ended.
func (w *watcher) held(t *rapid.T, a alerts.Alarm, now time.Time) {
	since, known := w.since[w.truth]
	if !known || now.Sub(since) < time.Hour {
		return
	}
	switch {
	case w.truth == alerts.True && !a.Active:
		t.Fatalf("%v lost: true since %v, not active at %v: %+v", a.Key, since, now, a)
	case w.truth == alerts.False && a.Active:
		t.Fatalf("%v stuck: false since %v, still active at %v: %+v", a.Key, since, now, a)
	}
}

// TestStormOfSilentSensors is the mains failure: one call, not forty.
func TestStormOfSilentSensors(t *testing.T) {
	m := newMachine(t, randomDefinitions, randomRules...)
	var out []alerts.Transition
	broker := alerts.Key{Condition: "broker"}
	observe := func(key alerts.Key, truth alerts.Truth, at time.Time) {
		out = append(out, m.Observe(alerts.Observation{Key: key, Truth: truth, Time: at})...)
	}
	silent := func(i int) alerts.Key {
		return alerts.Key{Condition: "silent", Room: "a", Subject: string(rune('A' + i))}
	}
	observe(broker, alerts.True, start)
	for i := range 40 {
		observe(silent(i), alerts.True, start.Add(time.Minute))
	}
	observe(broker, alerts.False, start.Add(time.Hour))
	for i := range 39 {
		observe(silent(i), alerts.False, start.Add(time.Hour+time.Minute))
	}
	out = append(out, m.Advance(start.Add(2*time.Hour))...)
	var called []alerts.Key
	for _, tr := range out {
		if tr.Annunciate {
			called = append(called, tr.Key)
		}
	}
	// The broker, and the one sensor that did not come back with it.
	want := []alerts.Key{broker, silent(39)}
	if !slices.Equal(called, want) {
		t.Errorf("called %v, want %v", called, want)
	}
}
