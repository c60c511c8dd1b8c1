package notify_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/letter"
)

// rendering is a notice with what a person reads of it at a time.
type rendering struct {
	name          string
	notice        notify.AlarmNotice
	now           time.Time
	subject, body string
}

func renderings() []rendering {
	invented := heat(notify.Raised, 2, begin)
	invented.Invented = true
	facility := notify.AlarmNotice{
		Facility: "Moth House", Kind: notify.Raised, Key: alerts.Key{Condition: "broker_lost"}, Occurrence: 7, Priority: alerts.Medium,
		Title: "broker link lost", Advice: alerts.Advice{Cause: "C.", Consequence: "D.", FirstAction: "F."}, RaisedAt: begin, Time: begin, Zone: "UTC",
	}
	setsOut := heat(notify.Going, 2, begin.Add(time.Minute))
	setsOut.TakenBy = "Ines"
	return []rendering{
		{"raised", heat(notify.Raised, 2, begin), begin.Add(time.Second), "High: Nursery 36.4 °C: too hot (limit 35.0 °C)", `
Nursery 36.4 °C: too hot (limit 35.0 °C)
High alarm since Tue 14 Jan 02:14 CET. Act by Tue 14 Jan 03:14 CET (within 1 h).
shelf 2 (nursery-north), cohort atlas-3 in pupa

Do first: Switch the heater off at its isolator.
Likely cause: Heater stuck on.
If nobody acts: Animals die.

Acknowledge: https://rearguard.example.org/alarms/42
Invented Moth House, incident 42
`},
		{"raised, delivered after the time to respond", heat(notify.Raised, 2, begin), begin.Add(3 * time.Hour), "High: Nursery 36.4 °C: too hot (limit 35.0 °C)", `
Nursery 36.4 °C: too hot (limit 35.0 °C)
High alarm since Tue 14 Jan 02:14 CET. Act at once: the time to respond ended at Tue 14 Jan 03:14 CET.
shelf 2 (nursery-north), cohort atlas-3 in pupa

Do first: Switch the heater off at its isolator.
Likely cause: Heater stuck on.
If nobody acts: Animals die.
This message is 3 h late: it could not be delivered before.

Acknowledge: https://rearguard.example.org/alarms/42
Invented Moth House, incident 42
`},
		{"over", heat(notify.Cleared, 3, begin.Add(37*time.Minute)), begin.Add(37 * time.Minute), "Over: Nursery too hot", `
Nursery: too hot is over; it came to 36.4 °C (limit 35.0 °C)
On from Tue 14 Jan 02:14 CET to Tue 14 Jan 02:51 CET (37 min).

Look after the animals if nobody has: Animals die.

See: https://rearguard.example.org/alarms/42
Invented Moth House, incident 42
`},
		{"raised and over in one", heat(notify.Over, 3, begin.Add(25*time.Hour)), begin.Add(25 * time.Hour), "Was on, is over: Nursery too hot", `
Nursery: too hot is over; it came to 36.4 °C (limit 35.0 °C)
On from Tue 14 Jan 02:14 CET to Wed 15 Jan 03:14 CET (1 d 1 h).
The message about its start could not be delivered before its end.

Look after the animals if nobody has: Animals die.

See: https://rearguard.example.org/alarms/42
Invented Moth House, incident 42
`},
		{"without room, number, link or time to respond", facility, begin, "Medium: broker link lost", `
broker link lost
Medium alarm since Tue 14 Jan 01:14 UTC.

Do first: F.
Likely cause: C.
If nobody acts: D.

Moth House, incident 7
`},
		{"somebody sets out", setsOut, begin.Add(time.Minute), "Ines is going: Nursery too hot", `
Nursery too hot: Ines is going
On the way since Tue 14 Jan 02:15 CET. You need not come unless you are called again.

See: https://rearguard.example.org/alarms/42
Invented Moth House, incident 42
`},
		{"invented", invented, begin, "[demo] High: Nursery 36.4 °C: too hot (limit 35.0 °C)", `
Nursery 36.4 °C: too hot (limit 35.0 °C)
High alarm since Tue 14 Jan 02:14 CET. Act by Tue 14 Jan 03:14 CET (within 1 h).
shelf 2 (nursery-north), cohort atlas-3 in pupa

Do first: Switch the heater off at its isolator.
Likely cause: Heater stuck on.
If nobody acts: Animals die.

Acknowledge: https://rearguard.example.org/alarms/42
Invented Moth House, incident 42
This facility is invented: nothing needs to be done.
`},
	}
}

func TestRender(t *testing.T) {
	for _, tt := range renderings() {
		t.Run(tt.name, func(t *testing.T) {
			subject, body := letter.Render(tt.notice, tt.now)
			if diff := cmp.Diff(tt.subject, subject); diff != "" {
				t.Errorf("subject (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(strings.TrimPrefix(tt.body, "\n"), body); diff != "" {
				t.Errorf("body (-want +got):\n%s", diff)
			}
		})
	}
}

// One after another may set out without a call between, and each is news.
func TestWhoeverSetsOutIsTold(t *testing.T) {
	first, second := heat(notify.Going, 2, begin.Add(time.Minute)), heat(notify.Going, 2, begin.Add(2*time.Minute))
	keys := map[string]bool{}
	for _, n := range []notify.AlarmNotice{first, second} {
		planned, err := notify.Plan([]notify.Duty{{People: []string{"lead"}, Channels: []string{"mail"}, Priorities: []alerts.Priority{alerts.High}}}, n, notify.To{Priorities: []alerts.Priority{alerts.High}})
		if err != nil || len(planned) != 1 {
			t.Fatal(planned, err)
		}
		keys[planned[0].Key] = true
	}
	if len(keys) != 2 {
		t.Errorf("keys %v", keys)
	}
}

// Names and notes come from people and may hold anything.
func TestRenderKeepsEveryTextOnItsLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := heat(rapid.SampledFrom([]notify.Kind{notify.Raised, notify.Reminder, notify.Cleared, notify.Over}).Draw(t, "kind"), 2, begin)
		plain, _ := letter.Render(n, begin)
		_, plainBody := letter.Render(n, begin)
		n.RoomName = rapid.String().Draw(t, "room")
		n.Title = rapid.String().Draw(t, "title")
		n.Detail = "x" + rapid.String().Draw(t, "detail")
		n.Cause = rapid.String().Draw(t, "cause")
		subject, body := letter.Render(n, begin)
		if strings.ContainsAny(subject, "\r\n") || plain == "" {
			t.Fatalf("subject breaks its line: %q", subject)
		}
		if got, want := strings.Count(body, "\n"), strings.Count(plainBody, "\n"); got != want || strings.Contains(body, "\r") {
			t.Fatalf("body has %d lines, want %d:\n%s", got, want, body)
		}
	})
}

func TestPlanTellsEachPersonOncePerChannel(t *testing.T) {
	roster := []notify.Duty{
		{People: []string{"lead"}, Channels: []string{"mail", "pager"}, Priorities: []alerts.Priority{alerts.High, alerts.Critical}},
		{People: []string{"lead", "keeper"}, Channels: []string{"mail"}, Priorities: []alerts.Priority{alerts.Medium, alerts.High}},
	}
	targets := func(notices []notify.Notice) []string {
		got := []string{}
		for _, n := range notices {
			got = append(got, n.Recipient+" by "+n.Channel)
		}
		return got
	}
	for priority, want := range map[alerts.Priority][]string{
		alerts.Low: {}, alerts.Medium: {"lead by mail", "keeper by mail"},
		alerts.High: {"lead by mail", "lead by pager", "keeper by mail"}, alerts.Critical: {"lead by mail", "lead by pager"},
	} {
		n := heat(notify.Raised, 2, begin)
		n.Priority = priority
		notices, err := notify.Plan(roster, n, to(n))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, targets(notices)); diff != "" {
			t.Errorf("%s: told (-want +got):\n%s", priority, diff)
		}
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
	if subject, _ := letter.Render(kept, begin); subject != "High: Nursery: too hot" {
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
	from := notify.Letterhead{Facility: "F", Zone: "UTC", Link: func(k alerts.Key) string { return "https://x/" + k.String() }}
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
				if n.Occurrence != 1 || n.Priority != alerts.High || n.Link != "https://x/"+key.String() {
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
