// Package phones makes the page on which people subscribe their phones to
// messages, and takes what phones say of themselves.
package phones

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"time"

	kept "rearguard/daemon/records/phones"
	"rearguard/dashboards/web/page"
)

const (
	// actWithin bounds what a form asks for, a message to a push service
	// included.
	actWithin = 15 * time.Second
	// triedFor is how long a test that was seen speaks for a phone:
	// subscriptions vanish without a word.
	triedFor = 30 * 24 * time.Hour
)

// Phones are the subscribed phones and the way to them.
type Phones interface {
	// Key is the public key that phones subscribe to, empty where no channel of
	// kind push is configured.
	Key() string
	// People are those who can be told.
	People() []Person
	// Phones are those that are or were subscribed and were not removed.
	Phones() []kept.Phone
	// Subscribe enters a phone, in the place of what it said before. It fails
	// with the errors of daemon/records/phones.
	Subscribe(ctx context.Context, s Subscription) error
	// Remove has a phone get nothing any more.
	Remove(ctx context.Context, id int64) error
	// Test sends a phone a message that asks to be tapped.
	Test(ctx context.Context, id int64) error
	// Seen notes that the test with a word was tapped.
	Seen(ctx context.Context, word string) error
}

// Person is somebody who can be told.
type Person struct {
	ID, Name string
	// ByPhone is set for who is told on phones, Otherwise for who is told of
	// critical alarms by another channel as well.
	ByPhone, Otherwise bool
}

// Subscription is what a phone says of itself.
type Subscription struct {
	// Device, Person, Name and Again are as of an Entry of daemon/records/phones.
	Device, Person, Name string
	// Endpoint, P256dh and Auth are the browser's subscription.
	Endpoint, P256dh, Auth string
	Again                  bool
}

// Desk makes the page and takes its forms.
type Desk struct{ phones Phones }

// New returns the page of phones; phones are nil where there are none.
func New(phones Phones) *Desk { return &Desk{phones} }

// Key is the public key that phones subscribe to, empty for none.
func (d *Desk) Key() string {
	if d.phones == nil {
		return ""
	}
	return d.phones.Key()
}

// Pages are the pages.
func (d *Desk) Pages() []page.Page { return []page.Page{d.page()} }

func (d *Desk) page() page.Page {
	return page.Page{Path: "/phones", Sections: []page.Section{page.Fixed("phones-this"), page.Live("phones-list"), page.Fixed("phones-needs")}, Build: d.build}
}

// Actions are the forms.
func (d *Desk) Actions() []page.Action {
	return []page.Action{
		{Path: "/phones", Take: d.takeSubscribe, Again: d.page()},
		{Path: "/phones/{id}/remove", Take: d.takeRemove, Again: d.page()},
		{Path: "/phones/{id}/test", Take: d.takeTest, Again: d.page()},
		{Path: "/phones/seen", Take: d.takeSeen, Again: d.page()},
	}
}

type model struct {
	Configured bool
	People     []Person
	Phones     []phoneModel
	// Word is that of a test that was tapped, empty when the page was opened
	// otherwise.
	Word string
	// Without are those who are to be told on a phone and have none, Alone those
	// who are told of critical alarms on phones only.
	Without, Alone []string
}

// phoneModel is a phone in the list.
type phoneModel struct {
	kept.Phone
	PersonName string
	// Failing is set where the newest message was not taken.
	Failing bool
	// Waits is set while the newest test was not seen, Due when a test is due.
	Waits, Due bool
}

func (d *Desk) build(v *page.View, r *http.Request) (page.Content, error) {
	m := model{Configured: d.Key() != "", Word: r.URL.Query().Get("seen")}
	if m.Configured {
		d.fill(&m, v.S.Time)
	}
	return page.Content{Title: "Phones", Data: m}, nil
}

func (d *Desk) fill(m *model, now time.Time) {
	m.People = d.phones.People()
	names, reached := map[string]string{}, map[string]bool{}
	for _, p := range m.People {
		names[p.ID] = p.Name
	}
	for _, p := range d.phones.Phones() {
		one := phoneModel{Phone: p, PersonName: names[p.Person], Failing: p.FailedAt.After(p.TakenAt), Waits: p.TestedAt.After(p.SeenAt)}
		one.Due = !one.Waits && now.Sub(p.SeenAt) > triedFor
		if one.PersonName == "" {
			one.PersonName = p.Person
		}
		m.Phones = append(m.Phones, one)
		reached[p.Person] = reached[p.Person] || !p.Gone
	}
	for _, p := range m.People {
		if p.ByPhone && !reached[p.ID] {
			m.Without = append(m.Without, p.Name)
		}
		if p.ByPhone && !p.Otherwise {
			m.Alone = append(m.Alone, p.Name)
		}
	}
}

var errNone = errors.New("no channel of kind push is configured, so no phone can be told")

// subscription reads what a phone says of itself.
func subscription(text func(name string) string) Subscription {
	return Subscription{
		Device: text("device"), Person: text("person"), Name: text("name"), Endpoint: text("endpoint"), P256dh: text("p256dh"), Auth: text("auth"),
	}
}

func (d *Desk) takeSubscribe(f *page.Form) (page.Outcome, error) {
	s := subscription(f.Text)
	switch {
	case d.Key() == "":
		return page.Outcome{}, errNone
	case s.Person == "":
		f.Refuse("person", "choose who is told on this phone")
	case s.Name == "":
		f.Refuse("name", "give this phone a name")
	case s.Endpoint == "":
		return page.Outcome{}, errors.New("this browser did not say where it takes messages: look at what is needed, below")
	}
	return within("phone", func(ctx context.Context) error { return d.phones.Subscribe(ctx, s) }), nil
}

func (d *Desk) takeRemove(f *page.Form) (page.Outcome, error) {
	return d.about(f, "phone-removed", Phones.Remove)
}

func (d *Desk) takeTest(f *page.Form) (page.Outcome, error) {
	return d.about(f, "phone-test", Phones.Test)
}

// about is a form about the one phone that its address names.
func (d *Desk) about(f *page.Form, done string, do func(Phones, context.Context, int64) error) (page.Outcome, error) {
	id, err := strconv.ParseInt(f.ID, 10, 64)
	switch {
	case d.Key() == "":
		return page.Outcome{}, errNone
	case err != nil:
		return page.Outcome{}, kept.ErrUnknown
	}
	return within(done, func(ctx context.Context) error { return do(d.phones, ctx, id) }), nil
}

func (d *Desk) takeSeen(f *page.Form) (page.Outcome, error) {
	if d.phones == nil {
		return page.Outcome{}, errNone
	}
	word := f.Text("word")
	return within("phone-seen", func(ctx context.Context) error { return d.phones.Seen(ctx, word) }), nil
}

// within is an outcome that ends in time. What was begun is ended even if the
// visitor goes away.
func within(done string, do func(context.Context) error) page.Outcome {
	return page.Outcome{Done: done, Back: "/phones", Run: func() error {
		ctx, cancel := context.WithTimeout(context.Background(), actWithin)
		defer cancel()
		return do(ctx)
	}}
}

// Sync takes what a phone says by itself whenever a page is opened on it. The
// answer is 204 where it is subscribed, 404 where it was removed, 410 where it
// must make a new subscription, and 422 where it is refused.
func (d *Desk) Sync(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		http.Error(w, "the form could not be read", http.StatusBadRequest)
		return
	}
	err := errNone
	if d.Key() != "" {
		s := subscription(r.PostForm.Get)
		s.Again = true
		err = d.phones.Subscribe(r.Context(), s)
	}
	switch {
	case err == nil:
		w.WriteHeader(http.StatusNoContent)
	case errors.Is(err, kept.ErrRemoved):
		http.Error(w, err.Error(), http.StatusNotFound)
	case errors.Is(err, kept.ErrStale):
		http.Error(w, err.Error(), http.StatusGone)
	default:
		http.Error(w, page.Sentence(err), http.StatusUnprocessableEntity)
	}
}
