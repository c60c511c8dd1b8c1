package alarming

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/notify"
	"rearguard/alerts/roster"
)

// tell makes the notices of what is news, and takes note of who is called.
func (a *Alarms) tell(news []incidents.News) error {
	for _, n := range news {
		lead := n.Incident.About()
		reach := a.reach(&n, lead)
		groups := []roster.Reach{reach}
		if n.What == incidents.Next {
			// Who was called before for the same incident is reminded of it.
			known := func(p string) bool { return !n.Incident.CalledLast(p).IsZero() }
			groups = []roster.Reach{reach.Only(known), reach.Only(func(p string) bool { return !known(p) })}
		}
		for k, group := range groups {
			if len(group.Calls) == 0 {
				continue
			}
			one := n
			if k == 0 && n.What == incidents.Next {
				one.What = incidents.Again
			}
			told := notify.News(a.letterhead, one, notify.Case{
				Alarm: a.machine.Alarm(lead.Key), Definition: a.Definition, RoomName: a.rooms[lead.Key.Room], AtRisk: a.AtRisk(lead.Key), Reach: group, Names: a.roster.Names,
			})
			planned, err := notify.Plan(told, group.Calls, a.readers)
			if err != nil {
				return err
			}
			a.notices = append(a.notices, planned...)
		}
	}
	return nil
}

// reach is whom a piece of news reaches now. It has the book know who is called,
// and who hears of it later.
func (a *Alarms) reach(n *incidents.News, lead *incidents.Member) roster.Reach {
	i := &n.Incident
	switch n.What {
	case incidents.Over:
		people := a.called(i)
		if n.To != "" {
			people = []string{n.To}
		}
		reach := a.roster.News(n.Time, people, i.Told)
		a.book.Wait(waiting(i.Number, reach.Held)...)
		return reach
	case incidents.Taken:
		if lead.Priority < alerts.High {
			// Nobody else is on the way for it.
			return roster.Reach{}
		}
		others := slices.DeleteFunc(a.called(i), func(p string) bool { return a.roster.Called(p, i.TakenBy) })
		return a.roster.News(n.Time, others, i.Told)
	}
	reach := a.call(n, lead)
	a.book.Called(incidents.Calling{
		Incident: i.Number, Time: n.Time, People: reach.People(), Waiting: waiting(i.Number, reach.Held),
		Rank: i.Rank, More: reach.More, Pause: a.pause(lead),
	})
	return reach
}

// call is whom a call reaches: those whose turn it is, with who had the incident
// until then, or a person alone.
func (a *Alarms) call(n *incidents.News, lead *incidents.Member) roster.Reach {
	i := &n.Incident
	ask := roster.Ask{At: n.Time, Priority: lead.Priority, Rank: i.Rank, AllHands: a.Definition(lead.Key.Condition).Lethal()}
	switch {
	case n.What == incidents.Next:
		return a.next(i, ask)
	case n.To != "":
		return a.alone(n, ask)
	}
	reach := a.roster.Reach(ask)
	if n.Had != "" {
		reach.Join(a.roster.News(n.Time, a.named(n.Had), []alerts.Priority{lead.Priority}))
	}
	if n.What == incidents.Again {
		// Who was called this very instant has heard it.
		reach = reach.Only(func(p string) bool { return !i.CalledLast(p).Equal(n.Time) })
	}
	return reach
}

// next is who is called since nobody has answered: those of the rank, or of the
// next that has somebody, who were not called yet.
func (a *Alarms) next(i *incidents.Incident, ask roster.Ask) roster.Reach {
	for {
		reach := a.roster.Reach(ask).Only(func(p string) bool { return a.uncalled(i, p) })
		i.Rank = ask.Rank
		if len(reach.Calls)+len(reach.Held) > 0 || !reach.More {
			return reach
		}
		ask.Rank++
	}
}

// alone is the call of one person: who had the incident in vain, or who was not
// to be woken before. Where that person is not on the roster or no longer on duty
// it is that of whose turn it is.
func (a *Alarms) alone(n *incidents.News, ask roster.Ask) roster.Reach {
	i := &n.Incident
	people := a.named(n.To)
	reach := a.roster.Reach(ask)
	one := a.roster.News(n.Time, people, []alerts.Priority{ask.Priority})
	onDuty := i.Vain != nil || slices.ContainsFunc(append(reach.People(), one.Waiting()...), func(p string) bool { return slices.Contains(people, p) })
	switch {
	case len(one.Calls)+len(one.Held) == 0 || ask.AllHands:
		return reach
	case !onDuty:
		return reach.Only(func(p string) bool { return a.uncalled(i, p) })
	}
	one.More = reach.More || i.Vain != nil
	return one
}

// named are the people of the roster who bear a name.
func (a *Alarms) named(name string) []string {
	var people []string
	for _, p := range slices.Sorted(maps.Keys(a.roster.Names)) {
		if a.roster.Called(p, name) {
			people = append(people, p)
		}
	}
	return people
}

// uncalled reports whether a person has not been called since nobody answers, and
// is not to be called later.
func (a *Alarms) uncalled(i *incidents.Incident, person string) bool {
	last := i.CalledLast(person)
	return (last.IsZero() || last.Before(i.WaitingSince)) && !a.book.Waits(i.Number, person)
}

// pause is how long a call of an alarm waits for an answer.
func (a *Alarms) pause(lead *incidents.Member) time.Duration {
	wait, respond := a.escalate.Of(lead.Priority), a.Definition(lead.Key.Condition).TimeToRespond
	if respond > 0 {
		wait = min(wait, respond)
	}
	return wait
}

// called are those who were called for an incident, or all who are told of its
// like where that was not kept.
func (a *Alarms) called(i *incidents.Incident) []string {
	if i.Called == nil {
		return a.roster.Told(i.Told)
	}
	people := make([]string, len(i.Called))
	for k, c := range i.Called {
		people[k] = c.Person
	}
	return people
}

func waiting(incident int64, held []roster.Hold) []incidents.Waiting {
	list := make([]incidents.Waiting, len(held))
	for k, h := range held {
		list[k] = incidents.Waiting{Incident: incident, Person: h.Person, Until: h.Until}
	}
	return list
}

// Next are the names of who is called for an incident at its NextAt unless
// somebody answers before; nobody for none.
func (a *Alarms) Next(i *incidents.Incident) []string {
	if i.NextAt.IsZero() {
		return nil
	}
	n := incidents.News{What: incidents.Next, Time: i.NextAt, Incident: *i}
	n.Incident.Rank++
	reach := a.call(&n, i.Lead())
	names := reach.People()
	for k := range names {
		names[k] = a.Name(names[k])
	}
	return names
}

// Name is that of a person of the roster.
func (a *Alarms) Name(person string) string { return cmp.Or(a.roster.Names[person], person) }
