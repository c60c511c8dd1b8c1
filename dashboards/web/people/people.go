// Package people makes the page on which people see how each of them is told,
// send test notices, and follow drills.
package people

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/records/drills"
	"rearguard/dashboards/web/page"
)

const (
	// actWithin bounds what a form asks for.
	actWithin = 10 * time.Second
	// shown is how many trials the page shows.
	shown = 12
)

// People are those who can be told, and the trials of the ways to them.
type People interface {
	// People are those of the configuration, in its order.
	People() []Person
	// Trials are the newest tests and drills, the newest first, at most so many.
	Trials(ctx context.Context, most int) (Trials, error)
	// Test sends somebody a test by a channel, or by each of theirs where that is
	// empty. Who is the name of the person who asks for it.
	Test(ctx context.Context, person, channel, who string) error
	// Drill sends everybody on the roster a test by each of their channels.
	Drill(ctx context.Context, who string) error
	// Arrived notes that the test of a number arrived, as somebody says.
	Arrived(ctx context.Context, number int64, who string) error
}

// Person is somebody who can be told.
type Person struct {
	ID, Name string
	Ways     []Way
}

// Way is a channel to a person, with what it is used for.
type Way struct {
	Channel    string
	Priorities []alerts.Priority
}

// Trials are tests and drills.
type Trials struct {
	List []drills.Drill
	// Next is when a drill starts by itself, zero for never.
	Next time.Time
	// Problem says what is wrong with drills, empty for nothing.
	Problem string
}

// Desk makes the page and takes its forms.
type Desk struct{ people People }

// New returns the page of people; people are nil where there are none.
func New(people People) *Desk { return &Desk{people} }

// Pages are the pages.
func (d *Desk) Pages() []page.Page { return []page.Page{d.page()} }

func (d *Desk) page() page.Page {
	return page.Page{Path: "/people", Sections: []page.Section{page.Fixed("people-test"), page.Live("people-ways"), page.Live("people-trials")}, Build: d.build}
}

// Actions are the forms.
func (d *Desk) Actions() []page.Action {
	return []page.Action{
		{Path: "/people/test", Take: d.takeTest, Again: d.page()},
		{Path: "/people/drill", Take: d.takeDrill, Again: d.page()},
		{Path: "/people/arrived", Take: d.takeArrived, Again: d.page()},
	}
}

type model struct {
	People []personModel
	Trials
	Shown []trialModel
}

type personModel struct {
	Person
	Ways []wayModel
}

// wayModel is a way with when a test last arrived by it.
type wayModel struct {
	Way
	// For names the priorities.
	For string
	// ArrivedAt is zero where no test that is remembered arrived.
	ArrivedAt time.Time
}

// trialModel is a trial as it is shown.
type trialModel struct {
	*drills.Drill
	Lines []lineModel
	// Silent are the names of those who have not answered.
	Silent string
	// Over is set once the time to answer is over.
	Over bool
}

type lineModel struct {
	drills.Notice
	Name string
	Took time.Duration
}

func (d *Desk) build(v *page.View, r *http.Request) (page.Content, error) {
	m := model{}
	if d.people == nil {
		return page.Content{Title: "People", Data: m}, nil
	}
	var err error
	if m.Trials, err = d.people.Trials(r.Context(), remembered); err != nil {
		return page.Content{}, err
	}
	names := map[string]string{}
	for _, p := range d.people.People() {
		names[p.ID] = p.Name
		one := personModel{Person: p}
		for _, w := range p.Ways {
			one.Ways = append(one.Ways, wayModel{Way: w, For: priorities(w.Priorities), ArrivedAt: lastArrival(m.List, p.ID, w.Channel)})
		}
		m.People = append(m.People, one)
	}
	for k := range m.List[:min(shown, len(m.List))] {
		m.Shown = append(m.Shown, trialOf(&m.List[k], names, v.S.Time))
	}
	return page.Content{Title: "People", Data: m}, nil
}

// remembered is how many trials are looked through for when a test last arrived.
const remembered = 60

func lastArrival(list []drills.Drill, person, channel string) time.Time {
	for k := range list {
		for _, n := range list[k].Notices {
			if n.Person == person && n.Channel == channel && !n.ArrivedAt.IsZero() {
				return n.ArrivedAt
			}
		}
	}
	return time.Time{}
}

func priorities(list []alerts.Priority) string {
	sorted := slices.Sorted(slices.Values(list))
	words := make([]string, len(sorted))
	for i, p := range sorted {
		words[i] = p.String()
	}
	return strings.Join(words, ", ")
}

func trialOf(d *drills.Drill, names map[string]string, now time.Time) trialModel {
	name := func(id string) string {
		if names[id] != "" {
			return names[id]
		}
		return id
	}
	m := trialModel{Drill: d, Over: d.Ended(now)}
	for _, n := range d.Notices {
		m.Lines = append(m.Lines, lineModel{n, name(n.Person), d.Took(&n)})
	}
	silent := d.Silent()
	for i := range silent {
		silent[i] = name(silent[i])
	}
	m.Silent = strings.Join(silent, ", ")
	return m
}

var errNone = errors.New("nobody can be told from here")

func (d *Desk) takeTest(f *page.Form) (page.Outcome, error) {
	who := f.Person()
	person, channel, _ := strings.Cut(f.Text("to"), " ")
	if person == "" {
		f.Refuse("to", "choose whom to send a test")
	}
	return d.ask("people-test", func(ctx context.Context) error { return d.people.Test(ctx, person, channel, who) })
}

func (d *Desk) takeDrill(f *page.Form) (page.Outcome, error) {
	who := f.Person()
	return d.ask("people-drill", func(ctx context.Context) error { return d.people.Drill(ctx, who) })
}

func (d *Desk) takeArrived(f *page.Form) (page.Outcome, error) {
	who := f.Person()
	number, err := strconv.ParseInt(f.Text("number"), 10, 64)
	if err != nil {
		return page.Outcome{}, drills.ErrUnknown
	}
	return d.ask("people-arrived", func(ctx context.Context) error { return d.people.Arrived(ctx, number, who) })
}

// ask is an outcome that ends in time. What was begun is ended even if the
// visitor goes away.
func (d *Desk) ask(done string, do func(context.Context) error) (page.Outcome, error) {
	if d.people == nil {
		return page.Outcome{}, errNone
	}
	return page.Outcome{Done: done, Back: "/people", Run: func() error {
		ctx, cancel := context.WithTimeout(context.Background(), actWithin)
		defer cancel()
		return do(ctx)
	}}, nil
}
