package daemon

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/fold"
	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
)

// An engine that is stopped at random and
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
			r.ticks <- timekeeping.Right(at.Add(10 * time.Second))
			switch m {
			case 40:
				r.do(fold.Order{Verb: alerts.Acknowledge, Key: heat, Who: "lead"})
			case 50:
				r.do(fold.Order{Verb: alerts.Shelve, Key: heat, Who: "lead", Reason: "moving shelves", For: 20 * time.Minute})
			case 80:
				r.do(fold.Order{Verb: alerts.TakeOut, Key: heat, Who: "lead", Reason: "new heater"})
			case 120:
				r.do(fold.Order{Verb: alerts.Return, Key: heat, Who: "lead"})
			case 180:
				r.do(fold.Order{Verb: alerts.Shelve, Key: heat, Who: "lead", Reason: "cleaning", For: time.Hour})
			case 200:
				r.do(fold.Order{Verb: alerts.Unshelve, Key: heat, Who: "lead"})
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
	replayed := r.replayed()
	again := slices.DeleteFunc(replayed.Transitions, func(s records.AlarmTransition) bool { return s.Key != heat })
	if d := cmp.Diff(disturbed, again); d != "" {
		t.Errorf("recorded and replayed differ:\n%s", d)
	}
	rows, err := r.reader().NoticesBetween(t.Context(), time.Time{}, past.FarFuture())
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
