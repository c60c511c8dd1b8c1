package relay_test

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"rearguard/alerts/relay"
)

var begin = time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)

func TestEndedIsToldForAQuarterOfAnHour(t *testing.T) {
	b := book(t, nil)
	if b.Take(begin, nil) || !b.Take(begin, []relay.Standing{heat("", begin)}) || b.Take(begin.Add(time.Second), []relay.Standing{heat("", begin)}) {
		t.Error("only the beginning is a change")
	}
	if a := b.Alerts(begin.Add(time.Minute), time.Minute); len(a) != 1 || !a[0].EndsAt.Equal(begin.Add(5*time.Minute)) || !a[0].StartsAt.Equal(begin) {
		t.Errorf("on: %+v, want it to end four intervals from now", a)
	}
	over := begin.Add(time.Hour)
	if !b.Take(over, nil) {
		t.Error("the end is no change")
	}
	for _, after := range []time.Duration{0, time.Minute, 15 * time.Minute} {
		b.Take(over.Add(after), nil)
		if a := b.Alerts(over.Add(after), time.Minute); len(a) != 1 || !a[0].EndsAt.Equal(over) {
			t.Errorf("after %v: %+v, want it to have ended at %v", after, a, over)
		}
	}
	b.Take(over.Add(15*time.Minute+time.Second), nil)
	if a := b.Alerts(over.Add(16*time.Minute), time.Minute); a == nil || len(a) != 0 {
		t.Errorf("after more than a quarter of an hour: %#v, want an empty list", a)
	}
}

func TestClockSetBackKeepsWhatIsOverOver(t *testing.T) {
	b := book(t, nil)
	b.Take(begin, []relay.Standing{heat("a", begin), heat("b", begin)})
	b.Take(begin, []relay.Standing{heat("b", begin)})
	back := begin.Add(-3 * time.Hour)
	// Before the book is told of the new time, and after.
	for range 2 {
		for _, a := range b.Alerts(back, time.Minute) {
			if over := a.Labels["subject"] == "a"; over == a.EndsAt.After(back) || a.StartsAt.After(a.EndsAt) {
				t.Errorf("after the step: %+v", a)
			}
		}
		b.Take(back, []relay.Standing{heat("b", begin)})
	}
	b.Take(back.Add(16*time.Minute), []relay.Standing{heat("b", begin)})
	if a := b.Alerts(back.Add(16*time.Minute), time.Minute); len(a) != 1 {
		t.Errorf("%+v, want that what is over is forgotten in time", a)
	}
}

func TestBookIsKept(t *testing.T) {
	b := book(t, nil)
	b.Take(begin, []relay.Standing{heat("a", begin), heat("b", begin)})
	b.Take(begin.Add(time.Minute), []relay.Standing{heat("b", begin)})
	text, page, err := b.Text()
	if err != nil || page != 2 || b.Page() != 2 {
		t.Fatalf("page %d of %d, %v", page, b.Page(), err)
	}
	again := book(t, text)
	if a := again.Alerts(begin.Add(2*time.Minute), time.Minute); len(a) != 2 || a[1].Labels["subject"] != "a" || !a[1].EndsAt.Equal(begin.Add(time.Minute)) {
		t.Errorf("kept: %+v", a)
	}
	if again.Take(begin.Add(2*time.Minute), []relay.Standing{heat("b", begin)}) {
		t.Error("a restart alone is a change")
	}
	if b, err := relay.NewBook([]byte("{")); err == nil || len(b.Alerts(begin, time.Minute)) != 0 {
		t.Errorf("a damaged book: %v; want an error and an empty one", err)
	}
}

func TestLabelsAreBoundedAndStayApart(t *testing.T) {
	long := strings.Repeat("é", 3000)
	b := book(t, nil)
	b.Take(begin, []relay.Standing{heat(long+"1", begin), heat(long+"2", begin), heat("\xff", begin), heat("same", begin.Add(time.Hour)), heat("same", begin)})
	list := b.Alerts(begin.Add(2*time.Hour), time.Minute)
	if len(list) != 4 {
		t.Fatalf("%d alerts, want 4 identities: %+v", len(list), list)
	}
	for _, a := range list {
		for name, value := range a.Labels {
			if len(value) > 150 || !utf8.ValidString(value) || value == "" {
				t.Errorf("label %s is %d bytes: %q", name, len(value), value)
			}
		}
		if a.Labels["subject"] == "same" && !a.StartsAt.Equal(begin) {
			t.Errorf("of two alike that of %v is told, want the older", a.StartsAt)
		}
	}
}
