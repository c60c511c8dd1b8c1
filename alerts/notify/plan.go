package notify

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/roster"
	"rearguard/alerts/wording"
)

// Letterhead is what every notice says of the facility it comes from.
type Letterhead struct {
	Facility string
	Invented bool
	// Zone is the IANA name of the time zone in which people read times.
	Zone string
	// Link returns the address of the page of an incident, on which it is
	// acknowledged; nil or an empty result leaves the link out.
	Link func(incident int64) string
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
	// AtRisk are the cohorts that it puts at risk.
	AtRisk []letter.Cohort
}

// News is what people are told of an incident.
func News(from Letterhead, news incidents.News, c Case) AlarmNotice {
	i := &news.Incident
	lead := i.About()
	d := c.Definition(lead.Key.Condition)
	n := AlarmNotice{
		Facility: from.Facility, Invented: from.Invented, Audience: letter.Audience{Zone: from.Zone},
		Key: lead.Key, Occurrence: i.Number, Priority: lead.Priority,
		Title: d.Title, RoomName: c.RoomName,
		Measure: wording.Measure{Value: c.Alarm.Value, Limit: c.Alarm.Limit, Unit: c.Alarm.Unit, Difference: d.Difference, AirC: c.Alarm.AirC}, Detail: c.Alarm.Words(),
		Advice:   d.Advice(),
		RaisedAt: i.BeganAt, Time: news.Time, Due: c.Alarm.Due, Circumstances: Circumstances{AtRisk: letter.DelicateFirst(c.AtRisk), TakenBy: i.TakenBy},
		// Calls of one incident get even numbers, its end the odd number that
		// follows.
		Sequence: 2 * int64(i.Calls),
	}
	if n.Unit == "" && n.Value != 0 {
		n.Unit = d.NoticeUnit
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
			n.Measure = wording.Measure{
				Value: m.Peak.Value, Limit: m.Peak.Limit, Unit: m.Peak.Unit, AirC: m.Peak.AirC, Difference: c.Definition(m.Key.Condition).Difference,
			}
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
		other := c.Definition(m.Key.Condition)
		n.Others = append(n.Others, Companion{
			Title: other.Title, Subject: m.Key.Subject, Value: m.Peak.Value, Limit: m.Peak.Limit, Unit: m.Peak.Unit,
			Difference: other.Difference, AirC: m.Peak.AirC,
		})
	}
	for _, step := range i.Steps(c.Definition) {
		if step != n.FirstAction {
			n.Steps = append(n.Steps, step)
		}
	}
	if from.Link != nil {
		n.Link = from.Link(i.Number)
	}
	return n
}

// answers is who was called for an incident besides, and what came of it.
func answers(i *incidents.Incident, c *Case) letter.Answers {
	a := letter.Answers{Vain: i.Vain, Everybody: c.Reach.Everybody, Nobody: c.Reach.Nobody}
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

// Plan returns one notice of news for each person and channel that is called, as
// the person reads; who is not among the readers reads English and °C.
func Plan(n AlarmNotice, calls []roster.Call, readers map[string]wording.Reader) ([]Notice, error) {
	if math.IsNaN(n.Value) || math.IsInf(n.Value, 0) || math.IsNaN(n.Limit) || math.IsInf(n.Limit, 0) {
		// JSON has no such numbers, and a person has no use for them.
		n.Measure = wording.Measure{}
	}
	notices := make([]Notice, len(calls))
	for k, to := range calls {
		payload, err := payloadFor(n, readers[to.Person])
		if err != nil {
			return nil, err
		}
		notices[k] = Notice{
			Key: keyOf(&n, to.Person, to.Channel), Occurrence: n.Occurrence, Priority: n.Priority, Channel: to.Channel, Recipient: to.Person,
			Payload: payload, CreatedAt: n.Time, DueAt: n.Time, State: Pending,
		}
	}
	return notices, nil
}

// payloadFor is the notice for somebody who reads.
func payloadFor(n AlarmNotice, reader wording.Reader) ([]byte, error) {
	n.Language, n.Scale = reader.Language, reader.Scale
	payload, err := json.Marshal(n)
	if err != nil {
		return nil, fmt.Errorf("plan notices of incident %d: %w", n.Occurrence, err)
	}
	return payload, nil
}

// keyOf names one piece of news to one person by one channel.
func keyOf(n *AlarmNotice, person, channel string) string {
	if n.Kind == Going {
		// One after another may set out, without a call between.
		return fmt.Sprintf("%s/%d-%s-%d/%s/%s", n.OccurrenceName(), n.Sequence, n.Kind, n.Time.UnixMilli(), person, channel)
	}
	return fmt.Sprintf("%s/%d-%s/%s/%s", n.OccurrenceName(), n.Sequence, n.Kind, person, channel)
}
