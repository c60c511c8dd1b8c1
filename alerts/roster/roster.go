// Package roster says who is told of an alarm at an instant: whose turn it is,
// who is there, who must not be woken for it, and who is next. All of it follows
// from the roster and the instant; it keeps nothing.
package roster

import (
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
)

// Turns says whom a line of a roster calls first.
type Turns string

// The turns.
const (
	// Together calls all people of the line at once.
	Together Turns = "together"
	// InOrder calls the first of the list who is there, and one more with each
	// step of escalation.
	InOrder Turns = "in order"
	// Weekly is InOrder with a list that moves on by one each week.
	Weekly Turns = "weekly"
)

// Roster is who is told, when and who next.
type Roster struct {
	// Zone is the time zone of all its times.
	Zone *time.Location
	// Names are the names of people by their ids.
	Names map[string]string
	Lines []Line
	// Away are the absences of people.
	Away map[string][]Span
	// Holidays are days on which only lines hold that have no days, or name
	// holidays among them.
	Holidays []Date
}

// Line is one line of a roster.
type Line struct {
	People, Channels []string
	Priorities       []alerts.Priority
	// Turns is Together if empty.
	Turns Turns
	// From is a day of the first week of the first of the list, HandsOver when a
	// week ends. They matter to Weekly.
	From      Date
	HandsOver Handover
	// Hours are when on a day the line holds, nil for the whole day; Days are
	// those days, nil for all. Hours over midnight belong to the day on which
	// they begin.
	Hours *Hours
	Days  []Days
	// Quiet are the hours in which nobody of the line is told of alarms of a
	// priority: that waits until they end.
	Quiet map[alerts.Priority]Hours
}

// takesTurns reports whether the line calls one after the other.
func (l *Line) takesTurns() bool { return l.Turns == InOrder || l.Turns == Weekly }

// Call is a person to be told by a channel.
type Call struct{ Person, Channel string }

// Hold is a person who is not to be told before an instant.
type Hold struct {
	Person string
	Until  time.Time
}

// Reach is whom a call reaches.
type Reach struct {
	// Calls are in the order of the roster, none twice; Held are people who are
	// told later.
	Calls []Call
	Held  []Hold
	// More is set where a higher rank reaches more people.
	More bool
	// Everybody is set where people are called whose turn it is not, for all
	// hands are needed; Nobody where they are because the roster has nobody.
	Everybody, Nobody bool
}

// People are those who are told at once, none twice.
func (r *Reach) People() []string {
	var list []string
	for _, c := range r.Calls {
		if !slices.Contains(list, c.Person) {
			list = append(list, c.Person)
		}
	}
	return list
}

// Waiting are those who are told later.
func (r *Reach) Waiting() []string {
	people := make([]string, len(r.Held))
	for i, h := range r.Held {
		people[i] = h.Person
	}
	return people
}

// Join adds whom another reaches.
func (r *Reach) Join(o Reach) {
	for _, c := range o.Calls {
		r.add(c.Person, []string{c.Channel})
	}
	for _, h := range o.Held {
		if !slices.Contains(append(r.People(), r.Waiting()...), h.Person) {
			r.Held = append(r.Held, h)
		}
	}
}

// Only is the reach with only those people of whom a function is true.
func (r Reach) Only(these func(person string) bool) Reach {
	r.Calls = slices.DeleteFunc(slices.Clone(r.Calls), func(c Call) bool { return !these(c.Person) })
	r.Held = slices.DeleteFunc(slices.Clone(r.Held), func(h Hold) bool { return !these(h.Person) })
	return r
}

// Ask is a call for people at an instant. Rank is how often nobody answered
// before it, from 0. AllHands calls everybody who is told of the priority,
// whatever turn, hours or quiet hours, but for those who are away.
type Ask struct {
	At       time.Time
	Priority alerts.Priority
	Rank     int
	AllHands bool
}

// Reach is whom a call reaches. Where that is nobody, not even later, and the
// alarm is high or critical, it is everybody of the roster by all their
// channels. A critical call is never held.
func (r *Roster) Reach(a Ask) Reach {
	var out, turn Reach
	r.reach(a, &out, &turn)
	if a.AllHands {
		out.Everybody = len(out.People()) > len(turn.People())
	}
	if len(out.Calls) == 0 && len(out.Held) == 0 && a.Priority >= alerts.High {
		for i := range r.Lines {
			l := &r.Lines[i]
			for _, p := range l.People {
				out.add(p, l.Channels)
			}
		}
		out.Nobody = len(out.Calls) > 0
	}
	return out
}

// reach finds whom the lines reach, and into turn whom they would reach without
// all hands.
func (r *Roster) reach(a Ask, out, turn *Reach) {
	held := map[string]time.Time{}
	for i := range r.Lines {
		l := &r.Lines[i]
		if !slices.Contains(l.Priorities, a.Priority) {
			continue
		}
		there := r.there(l, a.At)
		holds := r.holds(l, a.At)
		for n, p := range there {
			inTurn := holds && (!l.takesTurns() || n <= a.Rank)
			if inTurn {
				turn.add(p, l.Channels)
			}
			until := r.quietUntil(l, a)
			switch {
			case !inTurn && !a.AllHands:
				out.More = out.More || holds
			case until.IsZero() || a.AllHands:
				out.add(p, l.Channels)
			case held[p].IsZero() || until.Before(held[p]):
				held[p] = until
			}
		}
	}
	for i := range r.Lines {
		for _, p := range r.Lines[i].People {
			if until := held[p]; !until.IsZero() && !slices.Contains(out.People(), p) {
				out.Held = append(out.Held, Hold{p, until})
				delete(held, p)
			}
		}
	}
}

func (r *Reach) add(person string, channels []string) {
	for _, c := range channels {
		if one := (Call{person, c}); !slices.Contains(r.Calls, one) {
			r.Calls = append(r.Calls, one)
		}
	}
}

// quietUntil is when the quiet hours of a line end, zero for where there are
// none.
func (r *Roster) quietUntil(l *Line, a Ask) time.Time {
	h, quiet := l.Quiet[a.Priority]
	if !quiet || a.Priority >= alerts.Critical || !h.contain(clockOf(a.At.In(r.Zone))) {
		return time.Time{}
	}
	return h.end(a.At.In(r.Zone))
}

// News is how people who were called hear the rest of it: by the lines that tell
// them of one of the priorities, or by all of theirs where none does, whenever
// those hold. What is not for quiet hours is held.
func (r *Roster) News(at time.Time, people []string, priorities []alerts.Priority) Reach {
	var out Reach
	for _, tells := range []func(l *Line) bool{
		func(l *Line) bool {
			return slices.ContainsFunc(priorities, func(p alerts.Priority) bool { return slices.Contains(l.Priorities, p) })
		},
		func(*Line) bool { return true },
	} {
		reached := append(out.People(), out.Waiting()...)
		for i := range r.Lines {
			l := &r.Lines[i]
			for _, p := range l.People {
				if !tells(l) || !slices.Contains(people, p) || slices.Contains(reached, p) {
					continue
				}
				if until := r.quietUntil(l, Ask{At: at, Priority: slices.Max(priorities)}); !until.IsZero() {
					out.Held = append(out.Held, Hold{p, until})
					continue
				}
				out.add(p, l.Channels)
			}
		}
		out.Held = slices.DeleteFunc(out.Held, func(h Hold) bool { return slices.Contains(out.People(), h.Person) })
	}
	return out
}

// Told are all people who are ever told of one of the priorities.
func (r *Roster) Told(priorities []alerts.Priority) []string {
	var list []string
	for i := range r.Lines {
		l := &r.Lines[i]
		if !slices.ContainsFunc(priorities, func(p alerts.Priority) bool { return slices.Contains(l.Priorities, p) }) {
			continue
		}
		for _, p := range l.People {
			if !slices.Contains(list, p) {
				list = append(list, p)
			}
		}
	}
	return list
}

// Channels are the channels of the roster to a person, in its order, none twice.
func (r *Roster) Channels(person string) []string {
	var list []string
	for i := range r.Lines {
		if !slices.Contains(r.Lines[i].People, person) {
			continue
		}
		for _, c := range r.Lines[i].Channels {
			if !slices.Contains(list, c) {
				list = append(list, c)
			}
		}
	}
	return list
}

// Called reports whether a person bears a name, which may be the id.
func (r *Roster) Called(person, name string) bool {
	return name != "" && (strings.EqualFold(name, person) || strings.EqualFold(name, r.Names[person]))
}

// there are the people of a line who are not away, in the order of their turns.
func (r *Roster) there(l *Line, at time.Time) []string {
	first := 0
	if l.Turns == Weekly && len(l.People) > 0 {
		n := l.HandsOver.weeks(l.From, at.In(r.Zone)) % len(l.People)
		first = (n + len(l.People)) % len(l.People)
	}
	list := make([]string, 0, len(l.People))
	for i := range l.People {
		p := l.People[(first+i)%len(l.People)]
		if !r.IsAway(p, at) {
			list = append(list, p)
		}
	}
	return list
}

// IsAway reports whether a person is away on the day of an instant.
func (r *Roster) IsAway(person string, at time.Time) bool {
	today := dateOf(at.In(r.Zone))
	return slices.ContainsFunc(r.Away[person], func(s Span) bool { return s.contains(today) })
}

// holds reports whether a line holds at an instant.
func (r *Roster) holds(l *Line, at time.Time) bool {
	at = at.In(r.Zone)
	clock, day := clockOf(at), dateOf(at)
	if l.Hours != nil {
		if !l.Hours.contain(clock) {
			return false
		}
		if l.Hours.overMidnight() && clock < l.Hours.To {
			day = day.plus(-1)
		}
	}
	if len(l.Days) == 0 {
		return true
	}
	holiday := slices.Contains(r.Holidays, day)
	return slices.ContainsFunc(l.Days, func(d Days) bool { return d.contain(day.weekday(), holiday) })
}
