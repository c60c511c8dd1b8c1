package notify

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/roster"
)

// Letterhead is what every notice says of the facility it comes from.
type Letterhead struct {
	Facility string
	Invented bool
	// Zone is the IANA name of the time zone in which people read times.
	Zone string
	// Link returns the address of the page for acknowledging; nil or an
	// empty result leaves the link out.
	Link func(alerts.Key) string
}

// Case is what News needs to know of an incident beside the news.
type Case struct {
	// Alarm is the one that the incident is about, as it is now.
	Alarm alerts.Alarm
	// Definition is that of a condition.
	Definition func(alerts.Condition) alerts.Definition
	// RoomName is the name of its room.
	RoomName string
	// Reach is whom the news reaches, Names are those of people by their ids.
	Reach roster.Reach
	Names map[string]string
}

// News is what people are told of an incident.
func News(from Letterhead, news incidents.News, c Case) AlarmNotice {
	i := &news.Incident
	lead := i.About()
	d := c.Definition(lead.Key.Condition)
	n := AlarmNotice{
		Facility: from.Facility, Invented: from.Invented, Zone: from.Zone,
		Key: lead.Key, Occurrence: i.Number, Priority: lead.Priority,
		Title: d.Title, RoomName: c.RoomName,
		Value: c.Alarm.Value, Limit: c.Alarm.Limit, Unit: c.Alarm.Unit, Detail: c.Alarm.Words(),
		Advice:   d.Advice(),
		RaisedAt: i.BeganAt, Time: news.Time, Due: c.Alarm.Due, Circumstances: Circumstances{TakenBy: i.TakenBy},
		// Calls of one incident get even numbers, its end the odd number that
		// follows.
		Sequence: 2 * int64(i.Calls),
	}
	members := i.On()
	switch news.What {
	case incidents.Again:
		n.Kind = Reminder
	case incidents.Taken:
		n.Kind = Taken
		if i.Going {
			n.Kind = Going
		}
	case incidents.Over:
		n.Kind = Cleared
		n.Sequence++
		n.Due = time.Time{}
		if m := i.Measured(); m != nil {
			n.Value, n.Limit, n.Unit = m.Peak.Value, m.Peak.Limit, m.Peak.Unit
		}
		members = i.Members
	default:
		n.Kind = Raised
	}
	if n.Kind == Raised || n.Kind == Reminder {
		n.Answers = answers(i, &c)
	}
	for _, m := range members {
		if m.Occurrence == lead.Occurrence || m.Herald && !lead.Herald {
			continue
		}
		n.Others = append(n.Others, Companion{
			Title: c.Definition(m.Key.Condition).Title, Subject: m.Key.Subject, Value: m.Peak.Value, Limit: m.Peak.Limit, Unit: m.Peak.Unit,
		})
	}
	for _, step := range i.Steps(c.Definition) {
		if step != n.FirstAction {
			n.Steps = append(n.Steps, step)
		}
	}
	if from.Link != nil {
		n.Link = from.Link(lead.Key)
	}
	return n
}

// answers is who was called for an incident besides, and what came of it.
func answers(i *incidents.Incident, c *Case) Answers {
	a := Answers{Everybody: c.Reach.Everybody, Nobody: c.Reach.Nobody}
	if v := i.Vain; v != nil {
		a.Vain = &Vain{By: v.By, At: v.At, Going: v.Going, Then: v.Then, Now: v.Now, Unit: v.Unit}
	}
	if i.Rank == 0 {
		return a
	}
	a.Since = i.WaitingSince
	for _, one := range i.Called {
		if !one.LastAt.Before(i.WaitingSince) {
			a.Called = append(a.Called, c.Names[one.Person])
		}
	}
	return a
}

// Plan returns one notice of news for each person and channel that is called.
func Plan(n AlarmNotice, calls []roster.Call) ([]Notice, error) {
	if math.IsNaN(n.Value) || math.IsInf(n.Value, 0) || math.IsNaN(n.Limit) || math.IsInf(n.Limit, 0) {
		// JSON has no such numbers, and a person has no use for them.
		n.Value, n.Limit, n.Unit = 0, 0, ""
	}
	payload, err := json.Marshal(n)
	if err != nil {
		return nil, fmt.Errorf("plan notices of incident %d: %w", n.Occurrence, err)
	}
	notices := make([]Notice, len(calls))
	for k, to := range calls {
		notices[k] = Notice{
			Key: n.key(to.Person, to.Channel), Occurrence: n.Occurrence, Priority: n.Priority, Channel: to.Channel, Recipient: to.Person,
			Payload: payload, CreatedAt: n.Time, DueAt: n.Time, State: Pending,
		}
	}
	return notices, nil
}

// over says that the news is of an end.
func (n AlarmNotice) over() bool { return n.Kind == Cleared || n.Kind == Over }

// key names one piece of news to one person by one channel. The time of the
// raise is part of it, since occurrences are numbered anew with new records
// and receivers would take the first alarm for an old one.
func (n AlarmNotice) key(person, channel string) string {
	if n.Kind == Going {
		// One after another may set out, without a call between.
		return fmt.Sprintf("%s/%d-%s-%d/%s/%s", n.occurrenceName(), n.Sequence, n.Kind, n.Time.UnixMilli(), person, channel)
	}
	return fmt.Sprintf("%s/%d-%s/%s/%s", n.occurrenceName(), n.Sequence, n.Kind, person, channel)
}

func (n AlarmNotice) occurrenceName() string {
	return fmt.Sprintf("%d-%d", n.Occurrence, n.RaisedAt.UnixMilli())
}
