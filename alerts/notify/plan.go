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
		n.Value, n.Limit, n.Unit, n.Due = lead.Peak.Value, lead.Peak.Limit, lead.Peak.Unit, time.Time{}
		members = i.Members
	default:
		n.Kind = Raised
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

// To says whom a notice concerns: those who are told of one of the priorities,
// without those who bear a name.
type To struct {
	Priorities []alerts.Priority
	Without    string
	// Names are the names of people by their ids.
	Names map[string]string
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
		n.Value, n.Limit, n.Unit = 0, 0, ""
	}
	payload, err := json.Marshal(n)
	if err != nil {
		return nil, fmt.Errorf("plan notices of incident %d: %w", n.Occurrence, err)
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
	if n.Kind == Going {
		// One after another may set out, without a call between.
		return fmt.Sprintf("%s/%d-%s-%d/%s/%s", n.OccurrenceName(), n.Sequence, n.Kind, n.Time.UnixMilli(), person, channel)
	}
	return fmt.Sprintf("%s/%d-%s/%s/%s", n.OccurrenceName(), n.Sequence, n.Kind, person, channel)
}
