// Package alarms makes the pages about alarms: those that stand now, how they
// have done, and what other limits would have made of the past.
package alarms

import (
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/page"
)

// Card is an alarm with the names and times a card shows.
type Card struct {
	*snapshot.Alarm
	RoomName string
	// Open is set while the alarm waits for somebody.
	Open    bool
	Shelved bool
	// Silenced is set when a person or the design keeps the alarm quiet.
	Silenced bool
	// For is how long it has been; Left the time until it is due, negative
	// when overdue.
	For, Left time.Duration
	// Incident is the trouble of which it is the alarm to act on first, nil for
	// none; Others are the other alarms of it.
	Incident *snapshot.Incident
	Others   []Card
	// Full is set on the alarms page, where everything is shown.
	Full bool
	V    *page.View
}

// CardOf makes the card of an alarm.
func CardOf(v *page.View, a *snapshot.Alarm) Card {
	c := Card{Alarm: a, RoomName: v.S.RoomName(a.Key.Room), Silenced: Silenced(a), V: v}
	switch a.State {
	case alerts.Unacknowledged, alerts.Returned:
		c.Open = true
	case alerts.Shelved:
		c.Shelved = true
	}
	if !a.RaisedAt.IsZero() {
		c.For = v.S.Time.Sub(a.RaisedAt)
	}
	if !a.Due.IsZero() {
		c.Left = a.Due.Sub(v.S.Time)
	}
	return c
}

// Silenced reports whether a person or the design keeps the alarm quiet.
func Silenced(a *snapshot.Alarm) bool {
	switch a.State {
	case alerts.Shelved, alerts.Suppressed, alerts.OutOfService:
		return true
	}
	return false
}

// HasValue reports whether a value against a limit says anything.
func (c Card) HasValue() bool { return c.Unit != "" }

// CanGo reports whether somebody has taken the alarm on without having said to be
// on the way.
func (c Card) CanGo() bool { return c.State == alerts.Acknowledged && !c.Going }

// Beside is what a value in kPa means, as a humidity; empty for any other.
func (c Card) Beside(v float64) string {
	return wording.Reader{}.Beside(wording.Measure{Value: v, Unit: c.Unit, AirC: c.AirC})
}

// Heading is the title with the room and the sensor or cohort it is about,
// unless the title names them already.
func (c Card) Heading() string {
	where := alerts.Place(c.RoomName, c.Key.Subject)
	if where == "" || strings.Contains(c.Title, c.RoomName) && c.RoomName != "" || strings.Contains(c.Title, c.Key.Subject) && c.Key.Subject != "" {
		return format.Capital(c.Title)
	}
	return format.Capital(where + ": " + c.Title)
}

// Shape names the priority's symbol.
func (c Card) Shape() string { return "shape-" + c.Priority.String() }

// leadsOf are the cards of the alarms to act on first, in the order of the most
// urgent alarm of each incident. What a person silenced is a card of its own.
func leadsOf(v *page.View, full bool) []Card {
	cards := map[int64]Card{}
	of := map[int64][]Card{}
	var order []int64
	for k := range v.S.Alarms {
		a := &v.S.Alarms[k]
		c := CardOf(v, a)
		c.Full = full
		at := -a.Occurrence // by itself
		if i := v.S.IncidentWith(a); i != nil && a.State != alerts.Shelved && a.State != alerts.OutOfService {
			c.Incident, at = i, i.Number
		}
		if len(of[at]) == 0 {
			order = append(order, at)
		}
		of[at] = append(of[at], c)
		if c.Incident == nil || c.Incident.Lead().Occurrence == a.Occurrence {
			cards[at] = c
		}
	}
	list := make([]Card, 0, len(order))
	for _, at := range order {
		lead, found := cards[at]
		if !found {
			lead = of[at][0]
		}
		for _, c := range of[at] {
			if c.Key != lead.Key {
				lead.Others = append(lead.Others, c)
			}
		}
		list = append(list, lead)
	}
	return list
}

// Steps is what to do, in order; none where one thing is all.
func (c Card) Steps() []string {
	if c.Incident == nil || len(c.Incident.Steps) < 2 {
		return nil
	}
	return c.Incident.Steps
}

// Lists are the alarms sorted into those that wait for somebody, those taken
// on or back to normal, and those silenced.
type Lists struct {
	Open, Rest, Silenced []Card
	// More counts the alarms that the overview leaves to the alarms page.
	More int
	// Urgent counts alarms nobody has taken on, Total all that are not
	// folded away.
	Urgent, Total int
	// Announce names the first that wait, for a screen reader.
	Announce string
}

// All lists all alarms in full.
func All(v *page.View) Lists { return ListsOf(v, 0) }

// ListsOf lists the incidents, each as the card of the alarm to act on first, at
// most that many open ones; 0 is all, in full.
func ListsOf(v *page.View, most int) Lists {
	leads := leadsOf(v, most == 0)
	lists := Lists{Total: len(leads)}
	var words []string
	for _, c := range leads {
		switch {
		case c.Silenced:
			lists.Silenced = append(lists.Silenced, c)
		case c.Open:
			lists.Urgent++
			words = append(words, c.Heading())
			if most > 0 && len(lists.Open) >= most {
				lists.More++
				continue
			}
			lists.Open = append(lists.Open, c)
		default:
			lists.Rest = append(lists.Rest, c)
		}
	}
	if len(words) > 3 {
		words = append(words[:3], "and more")
	}
	lists.Announce = strings.Join(words, "; ")
	return lists
}
