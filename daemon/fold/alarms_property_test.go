package fold

import (
	"encoding/json"
	"errors"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/records"
)

// observer follows the audit and the outbox as somebody who knows the rules of
// the standard and nothing of the machine.
type observer struct {
	t *rapid.T
	// active, silenced and told are by alarm; told is set once somebody was
	// called in the open occurrence.
	active, told map[alerts.Key]bool
	state        map[alerts.Key]alerts.State
	occurrence   map[alerts.Key]int64
	notices      map[string]bool
	// known are the incidents that are open, and those that ended lately: what
	// only accompanied one may outlast it.
	known []incidents.Incident
}

// covered reports whether people were called for the incident of an occurrence,
// and at a time, if that is set, by one that is at least as urgent.
func (o *observer) covered(occurrence int64, at time.Time) bool {
	for _, i := range o.known {
		mine := func(m incidents.Member) bool { return m.Occurrence == occurrence }
		k := slices.IndexFunc(i.Members, mine)
		if k < 0 {
			continue
		}
		urgent := func(m incidents.Member) bool {
			on := !m.RaisedAt.After(at) && (m.On() || !m.ClearedAt.Before(at))
			return !mine(m) && on && m.Priority >= i.Members[k].Priority
		}
		return len(i.Told) > 0 && (at.IsZero() || slices.ContainsFunc(i.Members, urgent))
	}
	return false
}

func silencedState(state alerts.State) bool {
	return state == alerts.Shelved || state == alerts.Suppressed || state == alerts.OutOfService
}

func (o *observer) step(s records.AlarmTransition) {
	before := o.state[s.Key]
	if before != s.From {
		o.t.Fatalf("%v at %v: from %s, but it was %s", s.Key, s.Time, s.From, before)
	}
	o.state[s.Key] = s.To
	switch s.Event {
	case alerts.EventRaise:
		if o.active[s.Key] {
			o.t.Fatalf("%v is raised twice", s.Key)
		}
		if s.Occurrence == o.occurrence[s.Key] {
			o.t.Fatalf("%v: occurrence %d is given out twice", s.Key, s.Occurrence)
		}
		o.occurrence[s.Key], o.told[s.Key] = s.Occurrence, false
		o.active[s.Key] = true
	case alerts.EventRecur:
		o.active[s.Key], o.told[s.Key] = true, false
	case alerts.EventReturn:
		o.active[s.Key] = false
	}
	if s.Annunciate {
		if silencedState(s.To) {
			o.t.Fatalf("%v calls while %s", s.Key, s.To)
		}
		o.told[s.Key] = true
	}
	// After a silence of a person there is exactly one call, unless people are
	// called for the same trouble anyway.
	ended := silencedState(s.From) && !silencedState(s.To)
	byHand := s.Event == alerts.EventUnshelve || s.Event == alerts.EventShelvingEnds || s.Event == alerts.EventReturnToService
	if ended && byHand && o.active[s.Key] && !s.Annunciate && !o.covered(s.Occurrence, s.Time) {
		o.t.Fatalf("%v: the silence ended by %s while it was active, and nobody was called", s.Key, s.Event)
	}
}

// check is what must hold whenever all is taken in.
func (o *observer) check(alarms []alerts.Alarm) {
	for _, a := range alarms {
		if a.Active && !a.Silenced() && !o.told[a.Key] && !o.covered(a.Occurrence, time.Time{}) {
			o.t.Fatalf("%v is active and nobody was told: lost", a.Key)
		}
	}
}

func (o *observer) notice(row notify.Notice) {
	// An end that was told already, and came again under silence, has the key
	// it had: the outbox takes no key twice. A call never has a key again.
	if o.notices[row.Key] && callsSomebody(row) {
		o.t.Fatalf("call %s is written twice", row.Key)
	}
	o.notices[row.Key] = true
}

// Random days of heat, silence of sensors and people who do things in any
// order: nothing is lost, nothing doubled, nobody is called under silence and
// somebody is after it.
func TestAlarmsThroughTheFold(t *testing.T) {
	options := testOptions(t, foldtest.Facility)
	heat := alerts.Key{Condition: conditions.Heat, Room: "nursery"}
	rapid.Check(t, func(t *rapid.T) {
		sandbox, err := boxOf(options)
		if err != nil {
			t.Fatal(err)
		}
		if err := sandbox.Do(monarchs("c", "larva-3", 10, testStart)); err != nil {
			t.Fatal(err)
		}
		o := observer{
			t: t, active: map[alerts.Key]bool{}, told: map[alerts.Key]bool{}, state: map[alerts.Key]alerts.State{},
			occurrence: map[alerts.Key]int64{}, notices: map[string]bool{},
		}
		now := testStart
		called := 0
		settle := func() {
			open, ended := sandbox.fold.alarms.Incidents()
			o.known = slices.Concat(open, ended)
			for _, s := range sandbox.TakeSteps() {
				o.step(s)
				if s.Annunciate {
					called++
				}
			}
			news := 0
			for _, row := range sandbox.TakeNotices() {
				o.notice(row)
				if callsSomebody(row) {
					news++
				}
			}
			if news > called {
				t.Fatalf("%d notices call, but only %d alarms did", news, called)
			}
			called -= news
			if called != 0 {
				t.Fatalf("%d calls without a notice", called)
			}
			o.check(sandbox.fold.alarms.Open())
		}
		for range rapid.IntRange(5, 40).Draw(t, "turns") {
			switch rapid.IntRange(0, 8).Draw(t, "turn") {
			case 0, 1, 2, 3:
				temperature := rapid.SampledFrom([]float64{25, 32.8, 33.4, 37}).Draw(t, "temperature")
				for range rapid.IntRange(1, 20).Draw(t, "minutes") {
					now = now.Add(time.Minute)
					if err := sandbox.Messages(nursery("a", now, temperature, 70)); err != nil {
						t.Fatal(err)
					}
				}
			case 4:
				now = now.Add(time.Duration(rapid.IntRange(1, 90).Draw(t, "silence")) * time.Minute)
			case 5:
				refusedOr(t, sandbox.Do(Order{Verb: alerts.Acknowledge, Key: heat, Who: "lead"}))
			case 6:
				refusedOr(t, sandbox.Do(Order{Verb: alerts.Shelve, Key: heat, Who: "lead", Reason: "r", For: time.Duration(rapid.IntRange(1, 40).Draw(t, "for")) * time.Minute}))
			case 7:
				refusedOr(t, sandbox.Do(Order{Verb: alerts.Unshelve, Key: heat, Who: "lead"}))
			case 8:
				if rapid.Bool().Draw(t, "on") {
					refusedOr(t, sandbox.Do(Order{Verb: alerts.TakeOut, Key: heat, Who: "lead", Reason: "r"}))
				} else {
					refusedOr(t, sandbox.Do(Order{Verb: alerts.Return, Key: heat, Who: "lead"}))
				}
			}
			if err := sandbox.Advance(now); err != nil {
				t.Fatal(err)
			}
			settle()
		}
	})
}

// refusedOr lets a command be refused, for not every one fits, but not fail.
func refusedOr(t *rapid.T, err error) {
	if err != nil && !errors.Is(err, ErrRefused) {
		t.Fatal(err)
	}
}

// callsSomebody reports whether a notice calls for a person, and does not only
// say that something is over.
func callsSomebody(row notify.Notice) bool {
	var n notify.AlarmNotice
	return json.Unmarshal(row.Payload, &n) == nil && (n.Kind == notify.Raised || n.Kind == notify.Reminder)
}
