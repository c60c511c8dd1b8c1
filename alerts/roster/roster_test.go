package roster_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/roster"
)

var berlin = zone("Europe/Berlin")

func zone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return z
}

func hours(text string) *roster.Hours {
	h, err := roster.ParseHours(text)
	if err != nil {
		panic(err)
	}
	return &h
}

func date(text string) roster.Date {
	d, err := roster.ParseDate(text)
	if err != nil {
		panic(err)
	}
	return d
}

func days(list ...string) []roster.Days {
	var out []roster.Days
	for _, text := range list {
		d, err := roster.ParseDays(text)
		if err != nil {
			panic(err)
		}
		out = append(out, d)
	}
	return out
}

func handover(text string) roster.Handover {
	h, err := roster.ParseHandover(text)
	if err != nil {
		panic(err)
	}
	return h
}

// all are all priorities.
var all = []alerts.Priority{alerts.Low, alerts.Medium, alerts.High, alerts.Critical}

// words is whom a call reaches, for people.
func words(r roster.Reach) string {
	var list []string
	for _, c := range r.Calls {
		list = append(list, c.Person+" by "+c.Channel)
	}
	for _, h := range r.Held {
		list = append(list, h.Person+" at "+h.Until.In(berlin).Format("02 15:04 MST"))
	}
	for word, set := range map[string]bool{"more": r.More, "everybody": r.Everybody, "nobody": r.Nobody} {
		if set {
			list = append(list, word)
		}
	}
	return strings.Join(list, ", ")
}

// nights is a roster with everything that one can have.
func nights() *roster.Roster {
	return &roster.Roster{
		Zone: berlin, Names: map[string]string{"ines": "Ines", "ben": "Ben", "carla": "Carla", "dora": "Dora"},
		Lines: []roster.Line{
			{People: []string{"ines", "ben", "carla"}, Channels: []string{"phone"}, Priorities: all[2:], Turns: roster.InOrder},
			{
				People: []string{"dora"}, Channels: []string{"mail"}, Priorities: all[:2], Hours: hours("06:00..23:00"), Days: days("mon..fri"),
				Quiet: map[alerts.Priority]roster.Hours{alerts.Medium: *hours("20:00..07:00")},
			},
		},
		Away:     map[string][]roster.Span{"ben": {{From: date("2026-06-10"), To: date("2026-06-11")}}},
		Holidays: []roster.Date{date("2026-06-04")},
	}
}

func TestReach(t *testing.T) {
	for _, c := range []struct {
		name, at string
		priority alerts.Priority
		rank     int
		allHands bool
		want     string
	}{
		{"the first", "2026-06-02 03:00", alerts.High, 0, false, "ines by phone, more"},
		{"one more", "2026-06-02 03:00", alerts.High, 1, false, "ines by phone, ben by phone, more"},
		{"the last", "2026-06-02 03:00", alerts.High, 2, false, "ines by phone, ben by phone, carla by phone"},
		{"no further", "2026-06-02 03:00", alerts.High, 9, false, "ines by phone, ben by phone, carla by phone"},
		{"the next for one who is away", "2026-06-10 00:00", alerts.High, 1, false, "ines by phone, carla by phone"},
		{"on the last day away", "2026-06-11 23:59", alerts.High, 1, false, "ines by phone, carla by phone"},
		{"back", "2026-06-12 00:00", alerts.High, 1, false, "ines by phone, ben by phone, more"},
		{"all hands but who is away", "2026-06-10 12:00", alerts.Critical, 0, true, "ines by phone, carla by phone, everybody"},
		{"in hours", "2026-06-02 12:00", alerts.Medium, 0, false, "dora by mail"},
		{"on a weekend", "2026-06-06 12:00", alerts.Medium, 0, false, ""},
		{"on a holiday", "2026-06-04 12:00", alerts.Medium, 0, false, ""},
		{"quiet, until the morning", "2026-06-02 22:00", alerts.Medium, 0, false, "dora at 03 07:00 CEST"},
		{"quiet for another priority", "2026-06-02 22:00", alerts.Low, 0, false, "dora by mail"},
		{"out of hours", "2026-06-02 23:00", alerts.Low, 0, false, ""},
	} {
		at, err := time.ParseInLocation("2006-01-02 15:04", c.at, berlin)
		if err != nil {
			t.Fatal(err)
		}
		if got := words(nights().Reach(roster.Ask{At: at.UTC(), Priority: c.priority, Rank: c.rank, AllHands: c.allHands})); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// What is urgent reaches somebody at any instant: where it is nobody's turn,
// everybody. What is not may reach nobody.
func TestNobodyOnDuty(t *testing.T) {
	r := nights()
	for _, p := range []string{"ines", "ben", "carla"} {
		r.Away[p] = []roster.Span{{From: date("2026-06-01"), To: date("2026-06-30")}}
	}
	at := time.Date(2026, 6, 6, 3, 0, 0, 0, berlin)
	for p, want := range map[alerts.Priority]string{
		alerts.Critical: "ines by phone, ben by phone, carla by phone, dora by mail, nobody", alerts.High: "ines by phone, ben by phone, carla by phone, dora by mail, nobody",
		alerts.Medium: "", alerts.Low: "",
	} {
		if got := words(r.Reach(roster.Ask{At: at, Priority: p})); got != want {
			t.Errorf("%s: %q, want %q", p, got, want)
		}
	}
	if got := words((&roster.Roster{Zone: berlin}).Reach(roster.Ask{At: at, Priority: alerts.Critical, AllHands: true})); got != "" {
		t.Errorf("an empty roster reaches %q", got)
	}
}

// The rest of an incident is told to those who were called for it, by the lines
// that tell them of it.
func TestNewsReachesWhoWasCalled(t *testing.T) {
	r := nights()
	r.Lines = append(r.Lines, roster.Line{People: []string{"ben"}, Channels: []string{"mail"}, Priorities: all[:1]})
	sunday := time.Date(2026, 6, 7, 12, 0, 0, 0, berlin)
	for _, c := range []struct {
		at         time.Time
		people     []string
		priorities []alerts.Priority
		want       string
	}{
		{sunday, []string{"ben", "dora"}, []alerts.Priority{alerts.Medium, alerts.High}, "ben by phone, dora by mail"},
		{sunday, []string{"ines"}, []alerts.Priority{alerts.Low}, "ines by phone"},
		{sunday, nil, all, ""},
		{sunday.Add(10 * time.Hour), []string{"dora"}, []alerts.Priority{alerts.Medium}, "dora at 08 07:00 CEST"},
	} {
		if got := words(r.News(c.at, c.people, c.priorities)); got != c.want {
			t.Errorf("%v of %v: %q, want %q", c.people, c.priorities, got, c.want)
		}
	}
	if got := r.Channels("ben"); !slices.Equal(got, []string{"phone", "mail"}) {
		t.Errorf("channels to ben: %v", got)
	}
	if got := r.Told([]alerts.Priority{alerts.Low}); !slices.Equal(got, []string{"dora", "ben"}) {
		t.Errorf("told of low: %v", got)
	}
	if !r.Called("ines", "INES") || !r.Called("ines", "Ines") || r.Called("ines", "") || r.Called("ines", "Ben") {
		t.Error("people go by id and name")
	}
}

// In the nights in which Europe/Berlin changes its clocks, hours go by the clock
// on the wall and weeks never go back.
func TestNightsOfChangedClocks(t *testing.T) {
	line := roster.Line{People: []string{"ines", "ben"}, Channels: []string{"phone"}, Priorities: all, Turns: roster.Weekly, From: date("2026-01-01"), HandsOver: handover("sun 02:30")}
	quiet := map[alerts.Priority]roster.Hours{alerts.Low: *hours("22:00..02:30")}
	for _, c := range []struct {
		name string
		at   time.Time
		who  string
		// until is when the quiet hours end, in UTC, empty for none.
		until string
	}{
		{"put forward, before", time.Date(2026, 3, 29, 0, 59, 0, 0, time.UTC), "ben", "01:00"},
		{"put forward, at once over", time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), "ines", ""},
		{"put back, the evening before", time.Date(2026, 10, 24, 20, 0, 0, 0, time.UTC), "ben", "00:30"},
		{"put back, the first half past two", time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), "ines", ""},
		{"put back, the second two", time.Date(2026, 10, 25, 1, 5, 0, 0, time.UTC), "ines", "01:30"},
		{"put back, over at last", time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC), "ines", ""},
	} {
		r := &roster.Roster{Zone: berlin, Lines: []roster.Line{line}}
		got := r.Reach(roster.Ask{At: c.at, Priority: alerts.High})
		if want := []roster.Call{{Person: c.who, Channel: "phone"}}; !cmp.Equal(got.Calls, want) {
			t.Errorf("%s: on duty %v, want %v", c.name, got.Calls, want)
		}
		r.Lines[0].Quiet, r.Lines[0].Turns = quiet, roster.Together
		held := r.Reach(roster.Ask{At: c.at, Priority: alerts.Low}).Held
		until := ""
		if len(held) > 0 {
			until = held[0].Until.UTC().Format("15:04")
		}
		if until != c.until {
			t.Errorf("%s: quiet until %q, want %q", c.name, until, c.until)
		}
	}
}

func TestTimesThatAreNone(t *testing.T) {
	for text, parse := range map[string]func(string) error{
		"7..8":          func(s string) error { _, err := roster.ParseHours(s); return err },
		"07:00..07:00":  func(s string) error { _, err := roster.ParseHours(s); return err },
		"07:00":         func(s string) error { _, err := roster.ParseHours(s); return err },
		"2026-02-30":    func(s string) error { _, err := roster.ParseDate(s); return err },
		"1969-02-03":    func(s string) error { _, err := roster.ParseDate(s); return err },
		"mon-fri":       func(s string) error { _, err := roster.ParseDays(s); return err },
		"mon..holidays": func(s string) error { _, err := roster.ParseDays(s); return err },
		"monday 07:00":  func(s string) error { _, err := roster.ParseHandover(s); return err },
		"mon":           func(s string) error { _, err := roster.ParseHandover(s); return err },
	} {
		if parse(text) == nil {
			t.Errorf("%q passes", text)
		}
	}
	if got := fmt.Sprint(date("2026-06-01"), hours("22:00..07:05").From); got != "2026-06-01 22:00" {
		t.Errorf("written again: %s", got)
	}
}
