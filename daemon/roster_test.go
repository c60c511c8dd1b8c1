package daemon

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/timekeeping"
)

// onCall is a facility whose people take turns.
func onCall() string {
	text := strings.Replace(foldtest.Facility, "people: [{id: lead, name: Lead, email: lead@example.org}]", "people: [{id: ines, name: Ines}, {id: ben, name: Ben}, {id: carla, name: Carla}]", 1)
	text = strings.Replace(text, "roster: [{who: [lead], channels: [hook], priorities: [low, medium, high, critical]}]", `roster:
  - {who: [ines, ben, carla], channels: [hook], priorities: [high, critical], turns: in order}
  - {who: [carla], channels: [hook], priorities: [medium], quiet: {medium: "00:00..12:00"}}`, 1)
	return text + "incidents: {escalate_after: {high: 12m, medium: 1h}}\n"
}

// told are the notices of the records, each in a few words, by the minute.
func (r *rig) told() []string {
	r.t.Helper()
	rows, err := r.records().NoticesBetween(r.t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		r.t.Fatal(err)
	}
	var list []string
	for _, row := range rows {
		var n notify.AlarmNotice
		if err := json.Unmarshal(row.Payload, &n); err != nil {
			r.t.Fatal(err)
		}
		words := fmt.Sprintf("%3.0f %s %s to %s", n.Time.Sub(testStart).Minutes(), n.Kind, n.Key.Condition, row.Recipient)
		if len(n.Called) > 0 {
			words += ", called " + strings.Join(n.Called, " ")
		}
		if n.Vain != nil {
			words += ", " + n.Vain.By + " in vain"
		}
		list = append(list, words)
	}
	return list
}

// Nobody answers, and one after the other is called; somebody sets out, and it
// gets no better. However often the program is stopped on the way, people are
// told the same, and a replay gives the same alarms.
func TestOneAfterTheOtherIsCalled(t *testing.T) {
	heat := alerts.Key{Condition: conditions.Heat, Room: "nursery"}
	play := func(restart bool) []string {
		r := newRigOf(t, onCall())
		r.monarchs(testStart)
		for m := range 240 {
			temperature := 36.0
			if m >= 200 {
				temperature = 25
			}
			r.air(minute(m), temperature, 70)
			r.ticks <- timekeeping.Right(minute(m).Add(10 * time.Second))
			switch m {
			case 47:
				r.do(fold.Order{Verb: alerts.Acknowledge, Key: heat, Who: "Ben", Incident: true})
			case 50:
				r.do(fold.Order{Verb: alerts.Going, Key: heat, Who: "carla", Incident: true})
			}
			if restart && m%37 == 36 {
				r.stop()
				r.start(minute(m).Add(20 * time.Second))
			}
		}
		r.tick(minute(240))
		told := r.told()
		r.stop()
		live := transitions(t, r.path)
		if d := cmp.Diff(live, r.replayed().Transitions); d != "" {
			t.Errorf("a replay tells something else (-live +replayed):\n%s", d)
		}
		return told
	}
	// The hall, of which nothing is known, is no reason to call Carla before noon.
	want := []string{
		"  5 raised heat to ines", " 17 raised heat to ben, called Ines", " 29 raised heat to carla, called Ines Ben",
		" 35 reminder heat to ines, called Ines Ben Carla", " 35 reminder heat to ben, called Ines Ben Carla", " 35 reminder heat to carla, called Ines Ben Carla",
		" 47 taken heat to ines", " 47 taken heat to carla", " 50 going heat to ines", " 50 going heat to ben",
		"110 reminder heat to carla, carla in vain", "122 reminder heat to ines, called Carla, carla in vain", "122 reminder heat to ben, called Carla, carla in vain",
	}
	for _, call := range []string{"140 reminder heat", "146 raised heat_injury", "151 reminder heat_injury", "161 reminder heat_injury", "176 reminder heat_injury", "191 reminder heat_injury", "206 reminder heat_injury"} {
		for _, who := range []string{"ines", "ben", "carla"} {
			want = append(want, call+" to "+who+", called Ines Ben Carla, carla in vain")
		}
	}
	want = append(want, "232 cleared heat_injury to ines", "232 cleared heat_injury to ben", "232 cleared heat_injury to carla", "240 raised room_blind to carla")
	calm := play(false)
	if d := cmp.Diff(want, calm); d != "" {
		t.Errorf("told (-want +got):\n%s", d)
	}
	if d := cmp.Diff(calm, play(true)); d != "" {
		t.Errorf("with restarts (-calm +restarted):\n%s", d)
	}
}
