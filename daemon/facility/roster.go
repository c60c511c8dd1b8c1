package facility

import (
	"fmt"
	"reflect"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/roster"
	"rearguard/daemon/strict"
)

// Duty is one line of the roster: who is told, by which channels, about
// alarms of which priorities, and when.
type Duty struct {
	Who        []string          `yaml:"who" rule:"need"`
	Channels   []string          `yaml:"channels" rule:"need"`
	Priorities []alerts.Priority `yaml:"priorities"`
	// Turns is empty for all at once.
	Turns roster.Turns `yaml:"turns" rule:"one=together|in order|weekly"`
	// From and HandsOver belong to weekly turns: a day of the first week of the
	// first of the list, and when a week ends.
	From      roster.Date      `yaml:"from"`
	HandsOver *roster.Handover `yaml:"hands_over"`
	// Hours are nil for the whole day, Days for all days.
	Hours *roster.Hours `yaml:"hours"`
	Days  []roster.Days `yaml:"days"`
	Quiet Quiet         `yaml:"quiet"`
}

// Quiet are the hours in which nobody is told of alarms of a priority, nil for
// none. Critical ones are always told at once.
type Quiet struct {
	Low      *roster.Hours `yaml:"low"`
	Medium   *roster.Hours `yaml:"medium"`
	High     *roster.Hours `yaml:"high"`
	Critical *roster.Hours `yaml:"critical"`
}

// Absence are days on which a person is away, the first and the last included.
type Absence struct {
	From roster.Date `yaml:"from" rule:"need"`
	To   roster.Date `yaml:"to" rule:"need"`
}

// EscalateAfter is how long a call waits for an answer until the next of the
// roster is called too, by priority, if the time to respond is not shorter. Low
// alarms are not passed on.
type EscalateAfter struct {
	Critical time.Duration `yaml:"critical" rule:"range=10s..24h"`
	High     time.Duration `yaml:"high" rule:"range=10s..24h"`
	Medium   time.Duration `yaml:"medium" rule:"range=10s..24h"`
}

// defaultEscalation is shorter than the times to respond of alarms of a priority
// (common practice, no published source).
func defaultEscalation() EscalateAfter {
	return EscalateAfter{Critical: 10 * time.Minute, High: 30 * time.Minute, Medium: 4 * time.Hour}
}

// Of is that of a priority, zero for never.
func (e EscalateAfter) Of(p alerts.Priority) time.Duration {
	switch p {
	case alerts.Critical:
		return e.Critical
	case alerts.High:
		return e.High
	case alerts.Medium:
		return e.Medium
	}
	return 0
}

// Called is the roster as it says who is called when.
func (f *Facility) Called() *roster.Roster {
	r := &roster.Roster{Zone: f.Site.Location, Names: map[string]string{}, Away: map[string][]roster.Span{}, Holidays: f.Holidays}
	for _, p := range f.People {
		r.Names[p.ID] = p.Name
		for _, a := range p.Away {
			r.Away[p.ID] = append(r.Away[p.ID], roster.Span(a))
		}
	}
	for i := range f.Roster {
		d := &f.Roster[i]
		l := roster.Line{
			People: d.Who, Channels: d.Channels, Priorities: d.Priorities, Turns: d.Turns, From: d.From, Hours: d.Hours, Days: d.Days,
			Quiet: map[alerts.Priority]roster.Hours{},
		}
		if d.HandsOver != nil {
			l.HandsOver = *d.HandsOver
		}
		for p, h := range map[alerts.Priority]*roster.Hours{alerts.Low: d.Quiet.Low, alerts.Medium: d.Quiet.Medium, alerts.High: d.Quiet.High} {
			if h != nil {
				l.Quiet[p] = *h
			}
		}
		r.Lines = append(r.Lines, l)
	}
	return r
}

// rosterScalars are the times and days of a roster.
func rosterScalars() map[reflect.Type]strict.Scalar {
	return map[reflect.Type]strict.Scalar{
		reflect.TypeFor[roster.Hours]():    scalarOf(roster.ParseHours, "write two times of day in quotes, for example \"22:00..07:00\"; leave it out for the whole day"),
		reflect.TypeFor[roster.Date]():     scalarOf(roster.ParseDate, "write year, month and day, for example 2026-06-01"),
		reflect.TypeFor[roster.Days]():     scalarOf(roster.ParseDays, "write sun, mon, tue, wed, thu, fri or sat, two of them as mon..fri, or holidays"),
		reflect.TypeFor[roster.Handover](): scalarOf(roster.ParseHandover, "write a day of the week and a time of day, for example \"mon 07:00\""),
	}
}

func scalarOf[T any](parse func(string) (T, error), advice string) strict.Scalar {
	return func(text string) (any, string, string) {
		v, err := parse(text)
		if err != nil {
			return nil, err.Error(), advice
		}
		return v, "", ""
	}
}

// validateDuty checks when a line of the roster holds.
func (d *document) validateDuty(path string, duty *Duty, holidays []roster.Date) {
	weekly := duty.Turns == roster.Weekly
	for _, key := range []string{"from", "hands_over"} {
		switch at := path + "." + key; {
		case weekly && !d.Has(at):
			d.Fault(path, fmt.Sprintf("weekly turns need %s", key), "add from: with a day of the first week, for example 2026-06-01, and hands_over: with when a week ends, for example \"mon 07:00\"")
			return
		case !weekly && d.Has(at):
			d.Fault(at, fmt.Sprintf("%s belongs to weekly turns", key), "add turns: weekly, or remove it")
		}
	}
	if d.Has(path+".days") && !slices.ContainsFunc(duty.Days, func(one roster.Days) bool { return !one.Holidays || len(holidays) > 0 }) {
		d.Fault(path+".days", "this line never holds", "name days of the week, or list days under holidays: at the top of the file, or leave days out for all")
	}
	if d.Has(path + ".quiet.critical") {
		d.Fault(path+".quiet.critical", "critical alarms wake people at any hour", "remove it: what is critical cannot wait for the morning")
	}
	for i, id := range duty.Who {
		if slices.Contains(duty.Who[:i], id) {
			d.Fault(fmt.Sprintf("%s.who[%d]", path, i), fmt.Sprintf("%s stands twice in this line", id), "name everybody once")
		}
	}
}

func validateAway(d *document, path string, list []Absence) {
	for i, a := range list {
		if at := fmt.Sprintf("%s[%d].to", path, i); d.Has(at) && a.To < a.From {
			d.Fault(at, fmt.Sprintf("the last day, %s, is before the first, %s", a.To, a.From), "write the first day as from and the last as to; both are days away")
		}
	}
}
