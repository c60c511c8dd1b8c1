package notify_test

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/letter"
)

// One after another may set out without a call between, and each is news.
func TestWhoeverSetsOutIsTold(t *testing.T) {
	first, second := heat(notify.Going, 2, begin.Add(time.Minute)), heat(notify.Going, 2, begin.Add(2*time.Minute))
	if a, b := plan(t, first, []string{"lead"}, "mail")[0].Key, plan(t, second, []string{"lead"}, "mail")[0].Key; a == b {
		t.Errorf("both have the key %s", a)
	}
}

func TestPlanMakesKeysThatNeverMeetAgain(t *testing.T) {
	later := heat(notify.Raised, 2, begin)
	later.RaisedAt = begin.Add(time.Hour) // same number in new records
	keys := map[string]bool{}
	for _, n := range []notify.AlarmNotice{heat(notify.Raised, 2, begin), heat(notify.Cleared, 3, begin), heat(notify.Raised, 4, begin), later} {
		for _, row := range plan(t, n, []string{"lead", "keeper"}, "mail", "pager") {
			keys[row.Key] = true
		}
	}
	if len(keys) != 16 {
		t.Errorf("%d different keys, want 16: %v", len(keys), keys)
	}
	if again := plan(t, heat(notify.Raised, 2, begin), []string{"lead"}, "mail")[0].Key; !keys[again] {
		t.Errorf("planning the same news again gives another key %q", again)
	}
}

func TestPlanLeavesOutNumbersThatAreNone(t *testing.T) {
	n := heat(notify.Raised, 2, begin)
	n.Value = math.NaN()
	var kept notify.AlarmNotice
	if err := json.Unmarshal(plan(t, n, []string{"lead"}, "mail")[0].Payload, &kept); err != nil {
		t.Fatal(err)
	}
	if subject, _ := letter.Render(kept, begin); subject != "Nursery: too hot, act within 1 h" {
		t.Errorf("subject = %q", subject)
	}
}

// The alarm machine and the book of incidents say what is news.
func TestNewsFollowsTheAlarmMachine(t *testing.T) {
	definition := alerts.Definition{
		Condition: "heat", Title: "too hot", Cause: "c", Consequence: "q", FirstAction: "f",
		TimeToRespond: time.Hour, Severity: alerts.Major, Unit: "°C", ReAlarm: time.Hour,
	}
	machine, err := alerts.NewMachine([]alerts.Definition{definition})
	if err != nil {
		t.Fatal(err)
	}
	key := alerts.Key{Condition: "heat", Room: "nursery"}
	from := notify.Letterhead{Facility: "F", Zone: "UTC", Link: func(incident int64) string { return fmt.Sprintf("https://x/%d", incident) }}
	type news struct {
		Kind     notify.Kind
		Sequence int64
	}
	var got []news
	book := incidents.NewBook(nil, 0)
	take := func(transitions []alerts.Transition) {
		t.Helper()
		for _, tr := range transitions {
			for _, one := range book.Take(tr, alerts.High) {
				n := notify.News(from, one, notify.Case{
					Alarm: machine.Alarm(key), Definition: func(alerts.Condition) alerts.Definition { return definition }, RoomName: "Nursery",
				})
				got = append(got, news{n.Kind, n.Sequence})
				if n.Occurrence != 1 || n.Priority != alerts.High || n.Link != "https://x/1" {
					t.Errorf("news = %+v", n)
				}
			}
		}
	}
	observe := func(after time.Duration, truth alerts.Truth) {
		take(machine.Observe(alerts.Observation{Key: key, Time: begin.Add(after), Truth: truth, Value: 36, Limit: 35, Unit: "°C"}))
	}
	observe(0, alerts.True)
	observe(time.Minute, alerts.True)
	acknowledge := alerts.Order{Verb: alerts.Acknowledge, Key: key, Who: "lead"}
	take(machine.Advance(begin.Add(2 * time.Minute)))
	if err := machine.Check(acknowledge); err != nil {
		t.Fatal(err)
	}
	take(machine.Carry(acknowledge))
	observe(70*time.Minute, alerts.True) // calls again an hour after the acknowledgement
	observe(80*time.Minute, alerts.False)
	observe(90*time.Minute, alerts.True) // nobody acknowledged the end: the same trouble again
	observe(99*time.Minute, alerts.False)
	want := []news{
		{notify.Raised, 2}, {notify.Taken, 2}, {notify.Reminder, 4}, {notify.Cleared, 5}, {notify.Raised, 6}, {notify.Cleared, 7},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("news (-want +got):\n%s", diff)
	}
}
