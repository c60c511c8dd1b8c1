package notify

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"rearguard/alerts"
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

// News returns what a transition tells people, and false if it tells them
// nothing. Alarm is the alarm after the transition.
func News(from Letterhead, t alerts.Transition, a alerts.Alarm, d alerts.Definition, roomName string) (AlarmNotice, bool) {
	n := AlarmNotice{
		Facility: from.Facility, Invented: from.Invented, Zone: from.Zone,
		Key: t.Key, Occurrence: t.Occurrence, Priority: d.Priority(),
		Title: d.Title, RoomName: roomName,
		Value: a.Value, Limit: a.Limit, Unit: a.Unit, Detail: a.Words(),
		Advice:   d.Advice(),
		RaisedAt: a.RaisedAt, Time: t.Time, Due: a.Due,
	}
	// Calls of one occurrence get even numbers, the end after each the odd
	// number that follows.
	n.Sequence = 2 * int64(a.Annunciations)
	switch {
	case t.Annunciate && a.Annunciations > 1 && t.Event != alerts.EventRecur:
		n.Kind = Reminder
	case t.Annunciate:
		n.Kind = Raised
	case t.Cleared:
		n.Kind = Cleared
		n.Sequence++
	default:
		return AlarmNotice{}, false
	}
	if from.Link != nil {
		n.Link = from.Link(t.Key)
	}
	return n, true
}

// Plan returns one notice for each person and channel of the roster that the
// priority concerns, in the order of the roster, none twice.
func Plan(roster []Duty, n AlarmNotice) ([]Notice, error) {
	if math.IsNaN(n.Value) || math.IsInf(n.Value, 0) || math.IsNaN(n.Limit) || math.IsInf(n.Limit, 0) {
		// JSON has no such numbers, and a person has no use for them.
		n.Value, n.Limit, n.Unit = 0, 0, ""
	}
	payload, err := json.Marshal(n)
	if err != nil {
		return nil, fmt.Errorf("plan notices of alarm %d: %w", n.Occurrence, err)
	}
	type target struct{ person, channel string }
	seen := map[target]bool{}
	var notices []Notice
	for _, duty := range roster {
		if !slices.Contains(duty.Priorities, n.Priority) {
			continue
		}
		for _, person := range duty.People {
			for _, channel := range duty.Channels {
				if seen[target{person, channel}] {
					continue
				}
				seen[target{person, channel}] = true
				notices = append(notices, Notice{
					Key: n.key(person, channel), Occurrence: n.Occurrence, Priority: n.Priority, Channel: channel, Recipient: person,
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

// over says that the news is of an end.
func (n AlarmNotice) over() bool { return n.Kind == Cleared || n.Kind == Over }

// key names one piece of news to one person by one channel. The time of the
// raise is part of it, since occurrences are numbered anew with new records
// and receivers would take the first alarm for an old one.
func (n AlarmNotice) key(person, channel string) string {
	return fmt.Sprintf("%s/%d-%s/%s/%s", n.occurrenceName(), n.Sequence, n.Kind, person, channel)
}

func (n AlarmNotice) occurrenceName() string {
	return fmt.Sprintf("%d-%d", n.Occurrence, n.RaisedAt.UnixMilli())
}
