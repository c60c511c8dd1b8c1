package notify

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/wording"
)

// Duty is one line of the roster: people who are told by channels about
// alarms of some priorities.
type Duty struct {
	People, Channels []string
	Priorities       []alerts.Priority
}

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

// To says whom a notice concerns: those who are told of one of the priorities,
// without those who bear a name.
type To struct {
	Priorities []alerts.Priority
	Without    string
	// Names are the names of people by their ids, Readers how they read; who is
	// not in it reads English and °C.
	Names   map[string]string
	Readers map[string]wording.Reader
}

// concerns reports whether a person of a line of the roster is meant.
func (to *To) concerns(duty *Duty, person string) bool {
	meant := slices.ContainsFunc(to.Priorities, func(p alerts.Priority) bool { return slices.Contains(duty.Priorities, p) })
	return meant && (to.Without == "" || !strings.EqualFold(to.Without, person) && !strings.EqualFold(to.Without, to.Names[person]))
}

// Plan returns one notice for each person and channel of the roster that the
// news concerns, in the order of the roster, none twice.
func Plan(roster []Duty, n AlarmNotice, to To) ([]Notice, error) {
	if math.IsNaN(n.Value) || math.IsInf(n.Value, 0) || math.IsNaN(n.Limit) || math.IsInf(n.Limit, 0) {
		// JSON has no such numbers, and a person has no use for them.
		n.Measure = wording.Measure{}
	}
	type target struct{ person, channel string }
	seen := map[target]bool{}
	var notices []Notice
	for k := range roster {
		duty := &roster[k]
		for _, person := range duty.People {
			if !to.concerns(duty, person) {
				continue
			}
			payload, err := payloadFor(n, to.Readers[person])
			if err != nil {
				return nil, err
			}
			for _, channel := range duty.Channels {
				if seen[target{person, channel}] {
					continue
				}
				seen[target{person, channel}] = true
				notices = append(notices, Notice{
					Key: keyOf(&n, person, channel), Occurrence: n.Occurrence, Priority: n.Priority, Channel: channel, Recipient: person,
					Payload: payload, CreatedAt: n.Time, DueAt: n.Time, State: Pending,
				})
			}
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

// channelsOf are the channels of the roster to a person, in its order, none
// twice.
func channelsOf(roster []Duty, person string) []string {
	var list []string
	for _, duty := range roster {
		if !slices.Contains(duty.People, person) {
			continue
		}
		for _, channel := range duty.Channels {
			if !slices.Contains(list, channel) {
				list = append(list, channel)
			}
		}
	}
	return list
}

// keyOf names one piece of news to one person by one channel.
func keyOf(n *AlarmNotice, person, channel string) string {
	return fmt.Sprintf("%s/%d-%s/%s/%s", n.OccurrenceName(), n.Sequence, n.Kind, person, channel)
}
