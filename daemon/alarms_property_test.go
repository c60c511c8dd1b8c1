package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// observer follows the audit and the outbox as somebody who knows the rules of
// the standard and nothing of the machine.
type observer struct {
	t *rapid.T
	// active, silenced and told are by alarm; told is set once somebody was
	// called in the open occurrence.
	active, told map[alerts.Key]bool
	state        map[alerts.Key]string
	occurrence   map[alerts.Key]int64
	notices      map[string]bool
}

func silencedState(state string) bool {
	return state == alerts.Shelved.String() || state == alerts.Suppressed.String() || state == alerts.OutOfService.String()
}

func (o *observer) step(s records.AlarmTransition) {
	before := o.state[s.Key]
	if before == "" {
		before = alerts.Normal.String()
	}
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
	// After a silence of a person or of logic there is exactly one call.
	ended := silencedState(s.From) && !silencedState(s.To)
	byHand := s.Event == alerts.EventUnshelve || s.Event == alerts.EventShelvingEnds || s.Event == alerts.EventUnsuppress || s.Event == alerts.EventReturnToService
	if ended && byHand && o.active[s.Key] && !s.Annunciate {
		o.t.Fatalf("%v: the silence ended by %s while it was active, and nobody was called", s.Key, s.Event)
	}
}

// check is what must hold whenever all is taken in.
func (o *observer) check(alarms []alerts.Alarm) {
	for _, a := range alarms {
		if a.Active && !a.Silenced() && !o.told[a.Key] {
			o.t.Fatalf("%v is active and nobody was told: lost", a.Key)
		}
	}
}

func (o *observer) notice(row records.OutboxRow) {
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
func TestAlarmsThroughTheEngine(t *testing.T) {
	f := parseFacility(t, testFacility)
	catalog, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	heat := alerts.Key{Condition: conditions.Heat, Room: "nursery"}
	rapid.Check(t, func(t *rapid.T) {
		trial, err := NewTrialWith(f, catalog, testStart, TrialOptions{ForecastEvery: 24 * time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		if err := trial.Do(AddCohort{Who: "test", Cohort: rearing.Cohort{
			ID: "c", Species: "danaus-plexippus", Start: testStart, StartStage: "larva-3", Individuals: 10,
			Placements: []rearing.Placement{{Room: "nursery", From: testStart}},
		}}); err != nil {
			t.Fatal(err)
		}
		o := observer{
			t: t, active: map[alerts.Key]bool{}, told: map[alerts.Key]bool{}, state: map[alerts.Key]string{},
			occurrence: map[alerts.Key]int64{}, notices: map[string]bool{},
		}
		now := testStart
		called := 0
		settle := func() {
			for _, s := range trial.TakeSteps() {
				o.step(s)
				if s.Annunciate {
					called++
				}
			}
			news := 0
			for _, row := range trial.TakeNotices() {
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
			o.check(trial.core.machine.Alarms())
		}
		for range rapid.IntRange(5, 40).Draw(t, "turns") {
			switch rapid.IntRange(0, 9).Draw(t, "turn") {
			case 0, 1, 2, 3:
				temperature := rapid.SampledFrom([]float64{25, 32.8, 33.4, 37}).Draw(t, "temperature")
				for range rapid.IntRange(1, 20).Draw(t, "minutes") {
					now = now.Add(time.Minute)
					body := fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":70}`, now.Unix(), temperature)
					if err := trial.Message(sensors.Message{Topic: "t/nursery/a", Received: now, Payload: body}); err != nil {
						t.Fatal(err)
					}
				}
			case 4:
				now = now.Add(time.Duration(rapid.IntRange(1, 90).Draw(t, "silence")) * time.Minute)
			case 5:
				refusedOr(t, trial.Do(Acknowledge{Key: heat, Who: "lead"}))
			case 6:
				refusedOr(t, trial.Do(Shelve{Key: heat, Who: "lead", Reason: "r", For: time.Duration(rapid.IntRange(1, 40).Draw(t, "for")) * time.Minute}))
			case 7:
				refusedOr(t, trial.Do(Unshelve{Key: heat, Who: "lead"}))
			case 8:
				if rapid.Bool().Draw(t, "on") {
					refusedOr(t, trial.Do(Suppress{Key: heat, By: "cleaning by plan"}))
				} else {
					refusedOr(t, trial.Do(Unsuppress{Key: heat, Who: "lead"}))
				}
			case 9:
				if rapid.Bool().Draw(t, "on") {
					refusedOr(t, trial.Do(OutOfService{Key: heat, Who: "lead", Reason: "r"}))
				} else {
					refusedOr(t, trial.Do(ReturnToService{Key: heat, Who: "lead"}))
				}
			}
			if err := trial.Advance(now); err != nil {
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

// The same, with the records under it: an engine that is stopped at random and
// started again, and a replay of what it recorded, say what an undisturbed one
// says, command for command.
func TestSilencingSurvivesRestartAndReplay(t *testing.T) {
	heat := alerts.Key{Condition: conditions.Heat, Room: "nursery"}
	play := func(restart bool) ([]records.AlarmTransition, *rig) {
		r := newRig(t)
		r.monarchs(testStart)
		for m := range 300 {
			at := testStart.Add(time.Duration(m) * time.Minute)
			temperature := 25.0
			if m >= 20 && m < 150 || m >= 170 && m < 240 {
				temperature = 37
			}
			r.air(at, temperature, 70)
			r.ticks <- at.Add(10 * time.Second)
			switch m {
			case 40:
				r.do(Acknowledge{Key: heat, Who: "lead"})
			case 50:
				r.do(Shelve{Key: heat, Who: "lead", Reason: "moving shelves", For: 20 * time.Minute})
			case 80:
				r.do(OutOfService{Key: heat, Who: "lead", Reason: "new heater"})
			case 120:
				r.do(ReturnToService{Key: heat, Who: "lead"})
			case 180:
				r.do(Suppress{Key: heat, By: "cleaning by plan"})
			case 200:
				r.do(Unsuppress{Key: heat, Who: "lead"})
			}
			if restart && m%23 == 22 {
				r.stop()
				r.start(at.Add(20 * time.Second))
			}
		}
		r.tick(testStart.Add(300 * time.Minute))
		r.stop()
		return slices.DeleteFunc(transitions(t, r.path), func(s records.AlarmTransition) bool { return s.Key != heat }), r
	}
	calm, _ := play(false)
	disturbed, r := play(true)
	strip := func(steps []records.AlarmTransition) []string {
		var out []string
		for _, s := range steps {
			out = append(out, fmt.Sprintf("%s %s-%s %s %s call=%v over=%v #%d", s.Event, s.From, s.To, s.Who, s.Priority, s.Annunciate, s.Cleared, s.Occurrence))
		}
		return out
	}
	if len(calm) < 10 {
		t.Fatalf("the story has only %d steps", len(calm))
	}
	if d := cmp.Diff(strip(calm), strip(disturbed)); d != "" {
		t.Errorf("undisturbed and restarted differ:\n%s", d)
	}
	reader, err := records.OpenReader(t.Context(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	catalog, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	replayed, err := Replay(context.Background(), ReplayOptions{Facility: r.facility, Catalog: catalog, Records: reader, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	again := slices.DeleteFunc(replayed.Transitions, func(s records.AlarmTransition) bool { return s.Key != heat })
	if d := cmp.Diff(disturbed, again); d != "" {
		t.Errorf("recorded and replayed differ:\n%s", d)
	}
	rows, err := reader.NoticesBetween(t.Context(), time.Time{}, farFuture)
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[notify.Kind]int{}
	for _, row := range rows {
		var n notify.AlarmNotice
		if err := json.Unmarshal(row.Payload, &n); err != nil {
			t.Fatal(err)
		}
		if n.Key == heat {
			kinds[n.Kind]++
		}
	}
	calls := 0
	for _, s := range disturbed {
		if s.Annunciate {
			calls++
		}
	}
	if kinds[notify.Raised]+kinds[notify.Reminder] != calls {
		t.Errorf("%d calls in the audit, notices %v", calls, kinds)
	}
}
