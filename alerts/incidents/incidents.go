// Package incidents puts alarms that are of one trouble together: they are told
// and handled as one. An incident calls when it begins and when something worse
// joins it, again as long as nobody has it, and tells once that it is over. What
// only announces or accompanies it tells nobody anything of its own.
package incidents

import (
	"cmp"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/sensors"
)

// Role is what an alarm of a condition is to an incident. The zero value is
// that of an alarm that is an incident by itself.
type Role struct {
	// Theme names what alarms of one room are one incident with.
	Theme string
	// Order says in which order to act on alarms of one priority, the least
	// first.
	Order int
	// Herald is set for what announces or accompanies other alarms of its
	// incident: beside one of them it calls nobody, and keeps nothing open; beside
	// another herald it calls only if it is more urgent.
	Herald bool
	// Explains is set for a cause: beside what it brought about it calls nobody
	// who was called for that, and leads what there is to do.
	Explains bool
	// Yields are the conditions beside which what to do about this one would
	// be wrong, or come too early: beside one of its priority it calls nobody.
	Yields []alerts.Condition
}

// Incident is one trouble. It survives a JSON round trip unchanged.
type Incident struct {
	// Number is the occurrence of the alarm with which it began.
	Number int64          `json:"number"`
	Room   sensors.RoomID `json:"room,omitempty"`
	Theme  string         `json:"theme,omitempty"`

	BeganAt time.Time `json:"began_at"`
	// QuietAt is since when nothing of it has been on, zero while something
	// is; EndedAt is when it was over.
	QuietAt time.Time `json:"quiet_at,omitzero"`
	EndedAt time.Time `json:"ended_at,omitzero"`
	Members []Member  `json:"members"`

	// Calls counts how often it called, the end included.
	Calls int `json:"calls,omitempty"`
	// Told are the priorities at which it called, the highest last.
	Told []alerts.Priority `json:"told,omitempty"`
	// TakenBy has it since TakenAt; empty for nobody. Going is set once that
	// person is on the way.
	TakenBy string    `json:"taken_by,omitempty"`
	TakenAt time.Time `json:"taken_at,omitzero"`
	Going   bool      `json:"going,omitempty"`
	Answer
}

// Member is an alarm of an incident, with the facts as they were.
type Member struct {
	Key        alerts.Key      `json:"key"`
	Occurrence int64           `json:"occurrence"`
	Priority   alerts.Priority `json:"priority"`
	RaisedAt   time.Time       `json:"raised_at"`
	// ClearedAt is when it returned, zero while it is on.
	ClearedAt time.Time `json:"cleared_at,omitzero"`
	// Silenced is set while a person keeps it quiet, Under while it follows
	// from another alarm.
	Silenced bool `json:"silenced,omitempty"`
	Under    bool `json:"under,omitempty"`
	Peak     Peak `json:"peak,omitzero"`
	// Dose is how far its value was beyond the limit of the time, summed up over
	// the time while it was found so, in the unit of Peak times hours. Last is
	// the finding up to which it counts, none while it is not found beyond.
	Dose float64 `json:"dose,omitempty"`
	Last Peak    `json:"last,omitzero"`
	// Order, Herald, Explains and Yields are those of its role.
	Order    int                `json:"order,omitempty"`
	Herald   bool               `json:"herald,omitempty"`
	Explains bool               `json:"explains,omitempty"`
	Yields   []alerts.Condition `json:"yields,omitempty"`
}

// Peak is the value furthest beyond its limit, with the limit of that time, in
// Unit. Without a unit there is none.
type Peak struct {
	At    time.Time `json:"at"`
	Value float64   `json:"value"`
	Limit float64   `json:"limit"`
	Unit  string    `json:"unit"`
	// AirC is that of alerts.Finding.
	AirC *float64 `json:"air_c,omitempty"`
}

// beyond is how far the value is beyond the limit.
func (p Peak) beyond() float64 { return max(p.Value-p.Limit, p.Limit-p.Value) }

// dosed reports whether a value beyond its limit adds up over time.
func (p Peak) dosed() bool { return p.Unit == "°C" || p.Unit == "kPa" || p.Unit == "%" }

// note takes in a finding beyond the limit.
func (m *Member) note(now Peak) {
	if m.Peak.Unit != now.Unit || now.beyond() > m.Peak.beyond() {
		m.Peak = now
	}
	// Of a time without findings nothing is known.
	if passed := now.At.Sub(m.Last.At); now.dosed() && m.Last.Unit == now.Unit && passed > 0 && passed <= doseGap {
		m.Dose += (max(m.Last.beyond(), 0) + max(now.beyond(), 0)) / 2 * passed.Hours()
	}
	m.Last = now
}

// On reports whether the alarm is on.
func (m *Member) On() bool { return m.ClearedAt.IsZero() }

// heed takes note of what keeps the alarm quiet.
func (m *Member) heed(a *alerts.Alarm) {
	m.Silenced, m.Under = a.OutOfService || !a.ShelvedUntil.IsZero(), a.Under != nil
}

// calls reports whether it could call somebody now.
func (m *Member) calls() bool { return m.On() && !m.Silenced && !m.Under }

// stronger orders members by urgency, the one to act on first before others.
func stronger(a, b *Member) int {
	herald := func(m *Member) int {
		if m.Herald {
			return 1
		}
		return 0
	}
	return cmp.Or(
		cmp.Compare(b.Priority, a.Priority), cmp.Compare(herald(a), herald(b)), cmp.Compare(a.Order, b.Order),
	)
}

// yields reports whether what to do about a member would be wrong now.
func (i *Incident) yields(m *Member) bool {
	return slices.ContainsFunc(i.Members, func(o Member) bool {
		return o.On() && o.Priority >= m.Priority && slices.Contains(m.Yields, o.Key.Condition)
	})
}

// Lead is the alarm to act on first: the most urgent of those that could call,
// else of those that are on, else of all; of equal ones the first.
func (i *Incident) Lead() *Member {
	leads := func(m *Member) bool { return m.calls() && !i.yields(m) }
	for _, among := range []func(*Member) bool{leads, (*Member).calls, (*Member).On, func(*Member) bool { return true }} {
		if best := i.best(among); best != nil {
			return best
		}
	}
	return nil
}

func (i *Incident) best(among func(*Member) bool) *Member {
	var best *Member
	for k := range i.Members {
		if m := &i.Members[k]; among(m) && (best == nil || stronger(m, best) < 0) {
			best = m
		}
	}
	return best
}

// About is the alarm by which people know it: the one to act on first, or the
// worst it had once it is over.
func (i *Incident) About() *Member {
	if i.EndedAt.IsZero() {
		return i.Lead()
	}
	return i.Worst()
}

// Worst is the most urgent alarm that it ever had.
func (i *Incident) Worst() *Member { return i.best(func(*Member) bool { return true }) }

// Measured is the alarm whose peak and dose are those of the incident: the one
// that it is about, or the most urgent that has a value and does not only
// accompany others, nil for none.
func (i *Incident) Measured() *Member {
	if m := i.About(); m.Peak.Unit != "" {
		return m
	}
	return i.best(func(m *Member) bool { return m.Peak.Unit != "" && !m.Herald })
}

// On are the alarms that are on, in the order in which to act on them.
func (i *Incident) On() []Member {
	var list []Member
	for _, m := range i.Members {
		if m.On() {
			list = append(list, m)
		}
	}
	slices.SortStableFunc(list, func(a, b Member) int { return stronger(&a, &b) })
	return list
}

// Steps are what to do, in order and without contradiction, by the definitions
// of conditions.
func (i *Incident) Steps(definition func(alerts.Condition) alerts.Definition) []string {
	var steps []string
	on := i.On()
	for _, m := range on {
		if m.Under || slices.ContainsFunc(on, func(o Member) bool { return slices.Contains(m.Yields, o.Key.Condition) }) {
			continue
		}
		if words := definition(m.Key.Condition).FirstAction; words != "" && !slices.Contains(steps, words) {
			steps = append(steps, words)
		}
	}
	return steps
}

// open reports whether something keeps the incident open: what is on, unless it
// only accompanies what there was of weight.
func (i *Incident) open() bool {
	weight := slices.ContainsFunc(i.Members, func(m Member) bool { return !m.Herald })
	return slices.ContainsFunc(i.Members, func(m Member) bool { return m.On() && !(weight && m.Herald) })
}

// member is the one of an occurrence, nil for none.
func (i *Incident) member(occurrence int64) *Member {
	k := slices.IndexFunc(i.Members, func(m Member) bool { return m.Occurrence == occurrence })
	if k < 0 {
		return nil
	}
	return &i.Members[k]
}

// has reports whether it has an alarm of a key.
func (i *Incident) has(key alerts.Key) bool {
	return slices.ContainsFunc(i.Members, func(m Member) bool { return m.Key == key })
}

// clone is a copy that does not change with the incident.
func (i *Incident) clone() Incident {
	c := *i
	c.Members, c.Told = slices.Clone(i.Members), slices.Clone(i.Told)
	c.Called = slices.Clone(i.Called)
	return c
}
