package incidents_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
)

var (
	begin   = time.Date(2026, 6, 2, 3, 0, 0, 0, time.UTC)
	hotEggs = alerts.Key{Condition: "heat", Room: "eggs"}
)

// book is one with an incident that called one of three people at the beginning,
// each a quarter of an hour after the one before, and what it told.
type book struct {
	*incidents.Book
	t    *testing.T
	told []string
}

func newBook(t *testing.T) *book {
	t.Helper()
	b := &book{incidents.NewBook(map[alerts.Condition]incidents.Role{"heat": {Theme: "air"}}, 20*time.Minute), t, nil}
	b.step(0, alerts.EventRaise, "")
	return b
}

// step is one of heat, which is on but after its return.
func (b *book) step(minute int, event alerts.Event, who string) {
	at := begin.Add(time.Duration(minute) * time.Minute)
	b.pass(minute)
	a := alerts.Alarm{
		Key: hotEggs, Occurrence: 1, Active: event != alerts.EventReturn, Course: alerts.Course{RaisedAt: begin, Annunciations: 2, AckedValue: 34, AckedLimit: 30},
		Finding: alerts.Finding{Value: 35, Limit: 30, Unit: "°C"},
	}
	if event == alerts.EventRaise {
		a.Annunciations = 1
	}
	calls := event != alerts.EventReturn && event != alerts.EventAcknowledge && event != alerts.EventGoing && event != alerts.EventShelve
	if event == alerts.EventShelve {
		a.ShelvedUntil = at.Add(time.Hour)
	}
	b.tell(b.Take(alerts.Transition{Occurrence: 1, Key: hotEggs, Time: at, Event: event, Who: who, Annunciate: calls, Alarm: a}, alerts.High))
}

// pass lets time pass up to a minute, in the steps in which something is due.
func (b *book) pass(minute int) {
	now := begin.Add(time.Duration(minute) * time.Minute)
	for at := b.Due(); !at.IsZero() && !at.After(now); at = b.Due() {
		b.tell(b.Advance(at))
	}
	b.tell(b.Advance(now))
}

func (b *book) tell(news []incidents.News) {
	people := []string{"ines", "ben", "carla"}
	for _, n := range news {
		words := fmt.Sprintf("%d %s", int(n.Time.Sub(begin).Minutes()), n.What)
		if n.To != "" {
			words += " to " + n.To
		}
		if n.Had != "" {
			words += " with " + n.Had
		}
		rank := n.Incident.Rank
		if n.What == incidents.Call || n.What == incidents.Again || n.What == incidents.Next {
			words += fmt.Sprint(" rank ", rank)
			called := people[:min(rank+1, 3)]
			if n.What == incidents.Next {
				called = people[min(rank, 2):min(rank+1, 3)]
			}
			b.Called(incidents.Calling{Incident: n.Incident.Number, Time: n.Time, People: called, Rank: rank, More: rank < 2, Pause: 15 * time.Minute})
		}
		b.told = append(b.told, words)
	}
}

func (b *book) want(told ...string) {
	b.t.Helper()
	if d := cmp.Diff(told, b.told); d != "" {
		b.t.Errorf("told (-want +got):\n%s", d)
	}
}

// restarted goes on with a book that knows what JSON keeps of the first.
func (b *book) restarted() {
	b.t.Helper()
	text, err := json.Marshal(b.State())
	if err != nil {
		b.t.Fatal(err)
	}
	var st incidents.State
	if err := json.Unmarshal(text, &st); err != nil {
		b.t.Fatal(err)
	}
	again := incidents.NewBook(map[alerts.Condition]incidents.Role{"heat": {Theme: "air"}}, 20*time.Minute)
	again.Restore(st)
	if d := cmp.Diff(b.State(), again.State()); d != "" {
		b.t.Errorf("(-before +after):\n%s", d)
	}
	b.Book = again
}

func TestCallingGoesOn(t *testing.T) {
	b := newBook(t)
	b.pass(20)
	b.restarted()
	b.pass(100)
	b.want("0 call rank 0", "15 next rank 1", "30 next rank 2")
	i := b.Open()[0]
	if !i.WaitingSince.Equal(begin) || !i.NextAt.IsZero() || len(i.Called) != 3 || !i.CalledLast("carla").Equal(begin.Add(30*time.Minute)) || !i.CalledLast("dora").IsZero() {
		t.Errorf("answer %+v", i.Answer)
	}
}

// Who answers ends the calling; what led to nothing calls that person, and goes on
// from where it was. What begins anew begins with the first.
func TestAnswers(t *testing.T) {
	b := newBook(t)
	b.step(20, alerts.EventGoing, "Ben")
	b.restarted()
	if i := b.Open()[0]; !i.WaitingSince.IsZero() || !i.NextAt.IsZero() || i.TakenBy != "Ben" || !i.Going {
		t.Errorf("answered: %+v", i.Answer)
	}
	b.step(80, alerts.EventInVain, "")
	want := &incidents.Vain{By: "Ben", At: begin.Add(20 * time.Minute), Going: true, Then: 34, Now: 35, Unit: "°C"}
	if i := b.Open()[0]; !cmp.Equal(i.Vain, want) || i.TakenBy != "" || !i.WaitingSince.Equal(begin.Add(80*time.Minute)) {
		t.Errorf("in vain: %+v", i.Answer)
	}
	b.restarted()
	b.pass(96)
	b.step(100, alerts.EventAcknowledge, "Carla")
	if i := b.Open()[0]; i.Vain != nil {
		t.Errorf("answered anew: %+v", i.Answer)
	}
	b.step(300, alerts.EventReAlarm, "")
	b.pass(316)
	b.step(320, alerts.EventReturn, "")
	b.pass(400)
	b.want("0 call rank 0", "15 next rank 1", "20 taken", "80 again to Ben rank 1", "95 next rank 2", "100 taken", "300 again with Carla rank 0", "315 next rank 1", "340 over")
	if ended := b.Ended(); len(ended) != 1 || !ended[0].WaitingSince.IsZero() || !ended[0].NextAt.IsZero() {
		t.Errorf("ended %+v", ended)
	}
}

// While nothing of it is on, or somebody keeps it quiet, nobody more is called.
func TestCallingRests(t *testing.T) {
	b := newBook(t)
	b.step(10, alerts.EventReturn, "")
	b.step(25, alerts.EventUnfold, "")
	b.want("0 call rank 0", "25 again rank 0")
	b.step(30, alerts.EventShelve, "Ines")
	b.pass(80)
	b.want("0 call rank 0", "25 again rank 0")
	b.step(80, alerts.EventShelvingEnds, "")
	b.pass(86)
	b.want("0 call rank 0", "25 again rank 0", "80 again rank 0", "85 next rank 1")
}

// A clock that is moved moves the calling with it; of a time in which nobody
// watched what was due is due at its end.
func TestCallingOverResume(t *testing.T) {
	for _, c := range []struct {
		name   string
		by     time.Duration
		passed bool
		want   string
	}{
		{"set forward", 3 * time.Hour, false, "195 next rank 1"},
		{"set back", -3 * time.Hour, false, "-165 next rank 1"},
		{"down", 3 * time.Hour, true, "190 next rank 1"},
		{"down for less", 2 * time.Minute, true, "15 next rank 1"},
	} {
		b := newBook(t)
		b.pass(10)
		from := begin.Add(10 * time.Minute)
		b.Resume(from, from.Add(c.by), c.passed)
		b.restarted()
		b.pass(10 + int(c.by.Minutes()) + 14)
		if want := []string{"0 call rank 0", c.want}; !slices.Equal(b.told, want) {
			t.Errorf("%s: told %q, want %q", c.name, b.told, want)
		}
	}
}

// Who is not to be woken hears of it once the quiet hours are over, as it is then.
func TestWaitingForTheMorning(t *testing.T) {
	morning := begin.Add(4 * time.Hour)
	late := func(b *book, person string) {
		for range 2 {
			b.Wait(incidents.Waiting{Incident: 1, Person: person, Until: morning})
		}
		b.restarted()
	}
	for _, c := range []struct {
		name string
		goes func(b *book)
		want []string
	}{
		{"still on", func(*book) {}, []string{"240 call to dora rank 2"}},
		{"somebody has it", func(b *book) { b.step(200, alerts.EventAcknowledge, "Ines") }, []string{"200 taken"}},
		{"over", func(b *book) { b.step(200, alerts.EventReturn, "") }, []string{"220 over"}},
		{"called meanwhile", func(b *book) {
			b.Called(incidents.Calling{Incident: 1, Time: begin.Add(200 * time.Minute), People: []string{"dora"}, Rank: 2})
		}, nil},
		{"the end for one who was called", func(b *book) {
			b.Called(incidents.Calling{Incident: 1, Time: begin.Add(200 * time.Minute), People: []string{"dora"}, Rank: 2})
			b.step(200, alerts.EventReturn, "")
			late(b, "dora")
		}, []string{"220 over", "240 over to dora"}},
	} {
		b := newBook(t)
		b.pass(100)
		b.told = nil
		late(b, "dora")
		if !b.Waits(1, "dora") || b.Waits(1, "ines") || b.Waits(2, "dora") {
			t.Errorf("%s: who waits is not known", c.name)
		}
		c.goes(b)
		b.pass(300)
		if !slices.Equal(b.told, c.want) {
			t.Errorf("%s: told %q, want %q", c.name, b.told, c.want)
		}
		if b.Waits(1, "dora") {
			t.Errorf("%s: still waiting", c.name)
		}
	}
}
