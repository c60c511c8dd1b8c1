// Package answer makes the page behind the link in a notice: whoever holds the
// link says there, without a password, to be going, to have it, or that it is to
// be quiet for a while, and of a test that it arrived. The link alone is the
// authority: looking changes nothing, since mail scanners and previews look.
package answer

import (
	"context"
	"errors"
	"sync"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify/invite"
	"rearguard/daemon/fold"
	"rearguard/daemon/records/drills"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/alarms"
	"rearguard/dashboards/web/page"
)

// Links are the links in notices.
type Links interface {
	// Open reads what stands in a link. It fails with the errors of
	// alerts/notify/invite; with ErrExpired comes what it said.
	Open(token string) (Invited, error)
	// Tested is the test notice that a link is about. It fails with
	// drills.ErrUnknown.
	Tested(ctx context.Context, i Invited) (drills.Notice, error)
	// Arrived notes that the test notice of a link arrived.
	Arrived(ctx context.Context, i Invited) error
}

// Invited is whom a link was made for, and what about.
type Invited struct {
	invite.Invitation
	// Name is that of the person.
	Name string
}

// Stage is what there is to say.
type Stage string

// The stages of a page.
const (
	// Refused is a link that does not hold.
	Refused Stage = "refused"
	// On is an incident that goes on, Quiet one of which nothing is on just now.
	On    Stage = "on"
	Quiet Stage = "quiet"
	Over  Stage = "over"
	// Early is an incident that pages do not show yet: a notice may be there
	// before it is.
	Early Stage = "early"
	// Gone is an incident that is over for so long that nothing of it is known.
	Gone Stage = "gone"
	Test Stage = "test"
)

// Model is what the page shows.
type Model struct {
	Invited
	// Token is what stands in the link.
	Token string
	Stage Stage
	// Why is why a link does not hold.
	Why string
	// Incident is the incident, nil in stages without one; Lead is its alarm to
	// act on first, nil where that is over.
	Incident *snapshot.Incident
	// Heading says where and what the incident is about.
	Heading string
	Lead    *alarms.Card
	Others  []alarms.Card
	// Have, Go and Silence are the alarms that a button is about, nil for no
	// button.
	Have, Go, Shelve *alarms.Card
	// Tested is the test notice.
	Tested drills.Notice
}

// early is how long after its beginning an incident may not be shown yet.
const early = time.Minute

// Of is the page of a link in the state of a view.
func Of(v *page.View, i Invited, token string) Model {
	m := Model{Invited: i, Token: token, Stage: Gone}
	m.Incident = find(v.S, i.Invitation)
	if m.Incident == nil {
		if v.S.Time.Sub(i.Begin) < early {
			m.Stage = Early
		}
		return m
	}
	m.Heading = alarms.CardOf(v, &snapshot.Alarm{Key: m.Incident.About().Key, Title: m.Incident.Title}).Heading()
	var cards []alarms.Card
	for _, member := range inOrder(m.Incident) {
		if a, err := v.S.Alarm(member.Key); err == nil && a.Occurrence == member.Occurrence {
			cards = append(cards, alarms.CardOf(v, a))
		}
	}
	switch {
	case !m.Incident.EndedAt.IsZero():
		m.Stage = Over
		return m
	case !m.Incident.QuietAt.IsZero():
		m.Stage = Quiet
	default:
		m.Stage = On
	}
	for k := range cards {
		c := &cards[k]
		if m.Lead == nil {
			m.Lead = c
		} else {
			m.Others = append(m.Others, *c)
		}
		if m.Have == nil && c.Open && m.Incident.TakenBy == "" {
			m.Have = c
		}
		away := m.Incident.Going && m.Incident.TakenBy == i.Name
		if m.Go == nil && !away && (c.Open || c.State == alerts.Acknowledged) {
			m.Go = c
		}
		if m.Shelve == nil && c.Active && !c.Silenced {
			m.Shelve = c
		}
	}
	return m
}

// inOrder are the alarms of an incident, what is on and to be acted on first in
// front.
func inOrder(i *snapshot.Incident) []incidents.Member {
	list := i.On()
	if lead := i.Lead(); lead != nil && lead.On() {
		rest := list[:0:0]
		for _, m := range list {
			if m.Occurrence != lead.Occurrence {
				rest = append(rest, m)
			}
		}
		list = append([]incidents.Member{*lead}, rest...)
	}
	for _, m := range i.Members {
		if !m.On() {
			list = append(list, m)
		}
	}
	return list
}

// find is the incident that a link is about, nil if it is not known any more.
// Where it moved into another it is that one.
func find(s *snapshot.Snapshot, i invite.Invitation) *snapshot.Incident {
	var into *snapshot.Incident
	for k := range s.Incidents {
		one := &s.Incidents[k]
		if one.Number == i.Number && one.BeganAt.UnixMilli() == i.Begin.UnixMilli() {
			return one
		}
		for _, m := range one.Members {
			// With new records the number is of what was raised later.
			if into == nil && m.Occurrence == i.Number && m.RaisedAt.UnixMilli() <= i.Begin.UnixMilli() {
				into = one
			}
		}
	}
	return into
}

// Desk opens links.
type Desk struct {
	links    Links
	failures failures
}

// OfTest is the page of a link about a test.
func (d *Desk) OfTest(ctx context.Context, i Invited, token string) (Model, error) {
	m := Model{Invited: i, Token: token, Stage: Test}
	var err error
	m.Tested, err = d.links.Tested(ctx, i)
	if errors.Is(err, drills.ErrUnknown) {
		return m.refused(err), nil
	}
	return m, err
}

// refused is the page of a link that does not hold.
func (m Model) refused(err error) Model {
	m.Stage, m.Why = Refused, page.Sentence(err)
	return m
}

// New returns the pages of links; links are nil where there are none.
func New(links Links) *Desk { return &Desk{links: links} }

// ErrOften says that links which do not hold were tried too often.
var ErrOften = errors.New("too many links that do not hold were tried; wait a minute")

// Open reads a token at a time. For one that does not hold it returns the page
// that says so, with an error, which is ErrOften where that would be too much.
func (d *Desk) Open(token string, now time.Time) (Model, error) {
	err := invite.ErrInvalid
	var i Invited
	if d.links != nil {
		i, err = d.links.Open(token)
	}
	m := Model{Invited: i, Token: token}
	if err == nil {
		return m, nil
	}
	if !errors.Is(err, invite.ErrExpired) && d.failures.tooMany(now) {
		return m, ErrOften
	}
	return m.refused(err), err
}

// Done is what to say of what a button did.
type Done string

// What buttons do, by the value of the field do.
const (
	DoGo      Done = "going"
	DoHave    Done = "have"
	DoQuiet   Done = "quiet"
	DoArrived Done = "arrived"
)

var (
	errNothing = errors.New("nothing of this is open any more: look at what it says now")
	errWhat    = errors.New("the form does not say what to do: tap one of the buttons")
)

// Take turns a tap on a button into what is asked of the engine.
func (d *Desk) Take(f *page.Form, m *Model) (page.Outcome, error) {
	do := Done(f.Text("do"))
	if m.Stage == Test {
		if do != DoArrived {
			return page.Outcome{}, errWhat
		}
		i := m.Invited
		return page.Outcome{Done: string(do), Run: func() error {
			// Noting it is to end even if the visitor goes away.
			ctx, cancel := context.WithTimeout(context.Background(), noteWithin)
			defer cancel()
			return d.links.Arrived(ctx, i)
		}}, nil
	}
	about := map[Done]*alarms.Card{DoGo: m.Go, DoHave: m.Have, DoQuiet: m.Shelve}
	verbs := map[Done]alerts.Verb{DoGo: alerts.Going, DoHave: alerts.Acknowledge, DoQuiet: alerts.Shelve}
	card, known := about[do]
	switch {
	case !known:
		return page.Outcome{}, errWhat
	case card == nil:
		return page.Outcome{}, errNothing
	}
	o := fold.Order{Verb: verbs[do], Key: card.Key, Who: m.Name, Reason: f.Text("reason")}
	if do == DoQuiet {
		o.For = time.Duration(f.Whole("minutes")) * time.Minute
	}
	command, err := entry.Order(f.S, o)
	return page.Outcome{Command: command, Done: string(do)}, err
}

// noteWithin bounds how long noting an answer may take.
const noteWithin = 10 * time.Second

// mostFailures is how many links that do not hold are answered with a page in a
// minute. Nobody finds one by guessing, but guesses must cost little.
const mostFailures = 30

// failures counts links that do not hold. The zero value is ready for use.
type failures struct {
	mu    sync.Mutex
	since time.Time
	count int
}

// tooMany counts one more and reports whether that is too many.
func (f *failures) tooMany(now time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if age := now.Sub(f.since); age < 0 || age >= time.Minute {
		f.since, f.count = now, 0
	}
	f.count++
	return f.count > mostFailures
}
