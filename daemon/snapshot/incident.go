package snapshot

import (
	"cmp"
	"slices"
	"strings"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
)

// Incident is one trouble as people see it.
type Incident struct {
	incidents.Incident
	// Title is that of the alarm to act on first, with what is to be known of it;
	// once it is over, of the worst it had.
	Title string
	alerts.Advice
	// Steps is what to do, in order; none once it is over.
	Steps []string
	// Titles are those of its alarms, in the order of Members.
	Titles []string
	// Names are those of who was called, in the order of Called; Next are the
	// names of who is called at NextAt unless somebody answers before.
	Names, Next []string
}

// Notices is how many a person was sent by each channel: one for each call, and
// one for its end.
func (i *Incident) Notices() int {
	n := i.Calls
	if !i.EndedAt.IsZero() && len(i.Told) > 0 {
		n++
	}
	return n
}

// IncidentBook keeps the incidents.
type IncidentBook interface {
	// Incidents are those that are open, and those that ended lately.
	Incidents() (open, ended []incidents.Incident)
	// Definition is that of a condition.
	Definition(c alerts.Condition) alerts.Definition
	// Name is that of a person.
	Name(person string) string
	// Next are the names of who is called next.
	Next(i *incidents.Incident) []string
}

// IncidentsOf are the incidents as people see them: those that are open, then
// those that ended lately, the newest first.
func IncidentsOf(b IncidentBook) []Incident {
	open, ended := b.Incidents()
	slices.Reverse(ended)
	list := make([]Incident, 0, len(open)+len(ended))
	for _, i := range append(open, ended...) {
		v := IncidentOf(i, b.Definition)
		for k := range v.Names {
			v.Names[k] = b.Name(v.Names[k])
		}
		v.Next = b.Next(&i)
		list = append(list, v)
	}
	return list
}

// IncidentOf is an incident as people see it, by the definitions of conditions. A
// condition that no longer exists goes by its name, and people by their ids.
func IncidentOf(i incidents.Incident, definition func(alerts.Condition) alerts.Definition) Incident {
	title := func(c alerts.Condition) string {
		return cmp.Or(definition(c).Title, strings.ReplaceAll(string(c), "_", " "))
	}
	v := Incident{Incident: i, Steps: i.Steps(definition)}
	for _, m := range i.Members {
		v.Titles = append(v.Titles, title(m.Key.Condition))
	}
	for _, c := range i.Called {
		v.Names = append(v.Names, c.Person)
	}
	about := i.About().Key.Condition
	v.Title, v.Advice = title(about), definition(about).Advice()
	return v
}

// Incident is the one of a number, nil if it is neither open nor ended lately.
func (s *Snapshot) Incident(number int64) *Incident {
	k := slices.IndexFunc(s.Incidents, func(i Incident) bool { return i.Number == number })
	if k < 0 {
		return nil
	}
	return &s.Incidents[k]
}

// IncidentWith is the newest incident of which an alarm is a part, nil for none.
func (s *Snapshot) IncidentWith(a *Alarm) *Incident {
	for k := range s.Incidents {
		i := &s.Incidents[k]
		if slices.ContainsFunc(i.Members, func(m incidents.Member) bool { return m.Key == a.Key && m.Occurrence == a.Occurrence }) {
			return i
		}
	}
	return nil
}
