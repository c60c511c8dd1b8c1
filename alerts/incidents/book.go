package incidents

import (
	"cmp"
	"math"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/sensors"
)

// onTheWay is how long somebody who has taken an incident on is taken to see
// what joins it as an equal, such as another sensor that falls silent (common
// practice, no published source).
const onTheWay = time.Hour

// endedFor is how long an incident that is over is remembered, endedMost how
// many are, and membersMost how many alarms they have in all.
const (
	endedFor    = 7 * 24 * time.Hour
	endedMost   = 100
	membersMost = 1000
)

// doseGap is the longest time between two findings over which a dose is summed
// up: longer than the evaluator's pace with a sensor that reports every few
// minutes, and short against what it takes to do harm (common practice, no
// published source).
const doseGap = 15 * time.Minute

// What says what of an incident is told.
type What string

// What there is to tell.
const (
	// Call asks for a person: the incident begins, or something worse joined it.
	Call What = "call"
	// Again asks once more.
	Again What = "again"
	// Next asks somebody more, since nobody has answered.
	Next What = "next"
	// Over says that it has ended; of one that never called nothing is told.
	Over What = "over"
	// Taken says that a person has it, or is on the way.
	Taken What = "taken"
)

// News is what people are to be told of an incident, as it was then.
type News struct {
	What     What
	Time     time.Time
	Incident Incident
	// To is the only person it is for, empty where the roster says.
	To string
	// Had is who had the incident until a call, and is called with the others.
	Had string
}

// State is what must outlive a restart.
type State struct {
	Open    []Incident `json:"open,omitempty"`
	Ended   []Incident `json:"ended,omitempty"`
	Waiting []Waiting  `json:"waiting,omitempty"`
}

// Book keeps all incidents. It belongs to one goroutine.
type Book struct {
	roles map[alerts.Condition]Role
	// settle is how long an incident of a theme must have been quiet to be over.
	settle time.Duration
	open   []*Incident
	index  index
	ended  []Incident
	// waiting are people who hear of something later.
	waiting []Waiting
	// done are those that have ended since the last TakeEnded.
	done []Incident
	// due is what Due gives while dueKnown: until something changes.
	due      time.Time
	dueKnown bool
}

// NewBook returns a book without any incident. A condition that has no role is
// an incident by itself, and over at once. One with a theme must have been quiet
// for as long as it takes to settle: longer than what follows the end of heat or
// cold, such as the change of temperature that an opened door brings.
func NewBook(roles map[alerts.Condition]Role, settle time.Duration) *Book {
	return &Book{roles: roles, settle: settle, index: newIndex()}
}

// Advance lets time pass up to now, and tells what has ended, who is called next
// and who hears of it only now. Due says in which steps.
func (b *Book) Advance(now time.Time) []News {
	due := func(i *Incident) bool { return !i.QuietAt.IsZero() && !b.over(i).After(now) }
	if next := b.Due(); (next.IsZero() || next.After(now)) && (len(b.ended) == 0 || now.Sub(b.ended[0].EndedAt) <= endedFor) {
		return nil
	}
	b.dueKnown = false
	news := b.escalate(now)
	b.open = slices.DeleteFunc(b.open, func(i *Incident) bool {
		if !due(i) {
			return false
		}
		i.EndedAt = b.over(i)
		i.WaitingSince, i.NextAt = time.Time{}, time.Time{}
		if len(i.Told) > 0 {
			news = append(news, News{What: Over, Time: i.EndedAt, Incident: i.clone()})
		}
		b.ended, b.done = append(b.ended, i.clone()), append(b.done, i.clone())
		b.index.drop(i)
		return true
	})
	b.ended = forget(b.ended, now)
	news = append(news, b.heard(now)...)
	slices.SortStableFunc(news, func(a, b News) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Incident.Number, b.Incident.Number))
	})
	return news
}

// forget leaves out of what has ended, the oldest first, what is too long ago or
// too much to be kept.
func forget(ended []Incident, now time.Time) []Incident {
	first, members := len(ended), 0
	for first > max(0, len(ended)-endedMost) && now.Sub(ended[first-1].EndedAt) <= endedFor {
		if members += len(ended[first-1].Members); members > membersMost {
			break
		}
		first--
	}
	return slices.Clone(ended[first:])
}

// over is when an incident will be over, if it stays quiet.
func (b *Book) over(i *Incident) time.Time {
	if i.Theme == "" {
		return i.QuietAt
	}
	return i.QuietAt.Add(b.settle)
}

// Take takes in a step of an alarm of a priority, after Advance to its time, and
// says what people are told of it. A step that is to call somebody does so only
// where a Call or an Again comes of it.
func (b *Book) Take(t alerts.Transition, priority alerts.Priority) []News {
	b.dueKnown = false
	a := &t.Alarm
	i := b.of(t.Key, t.Occurrence)
	// What outlasts its incident is told of again only if it calls.
	if i == nil && (t.Annunciate || t.Event == alerts.EventRaise || t.Event == alerts.EventRecur) {
		i = b.join(a, priority, t.Time)
	}
	if i == nil {
		return nil
	}
	i = b.follow(i, a, t.Time)
	m := i.member(t.Occurrence)
	m.heed(a)
	switch {
	case a.Active:
		m.ClearedAt = time.Time{}
	case m.On():
		m.ClearedAt = t.Time
	}
	i.settle(t.Time)
	var news []News
	had := i.TakenBy
	if what := i.tells(&t, m); what != "" {
		n := News{What: what, Time: t.Time, Incident: i.clone()}
		switch {
		case what == Taken:
		case i.Vain != nil && t.Event == alerts.EventInVain:
			n.To = i.Vain.By
		default:
			n.Had = had
		}
		news = append(news, n)
	}
	return append(news, b.Advance(t.Time)...)
}

// settle takes note of whether anything of the incident is on at a time.
func (i *Incident) settle(at time.Time) {
	switch {
	case i.open():
		if !i.QuietAt.IsZero() {
			i.wake(at)
		}
		i.QuietAt = time.Time{}
	case i.QuietAt.IsZero():
		i.QuietAt = at
	}
}

// tells says what a step of a member tells people, empty for nothing.
func (i *Incident) tells(t *alerts.Transition, m *Member) What {
	going := t.Event == alerts.EventGoing
	if t.Event == alerts.EventAcknowledge && i.TakenBy == "" || going && !(i.Going && i.TakenBy == t.Who) {
		i.answered(t)
		if len(i.Told) > 0 {
			return Taken
		}
		return ""
	}
	if !t.Annunciate {
		return ""
	}
	others := func(o *Member) bool { return o.calls() && o.Occurrence != m.Occurrence }
	other := i.best(others)
	again := t.Event == alerts.EventRepeat || t.Event == alerts.EventReAlarm || t.Event == alerts.EventInVain
	switch {
	case len(i.Told) == 0:
	case m.Herald && !again && i.explains(m):
		return ""
	case i.yields(m):
		return ""
	case other == nil:
	case stronger(m, other) > 0:
		return ""
	case stronger(m, other) == 0 && !(again && i.Lead() == m) && (i.TakenBy == "" || t.Time.Sub(i.TakenAt) < onTheWay):
		return ""
	case (m.Explains || m.Herald) && !again && m.Priority <= other.Priority:
		return ""
	}
	i.unanswered(t)
	i.Calls++
	if !slices.Contains(i.Told, m.Priority) {
		i.Told = append(i.Told, m.Priority)
		slices.Sort(i.Told)
	}
	if t.Alarm.Annunciations > 1 && t.Event != alerts.EventRecur {
		return Again
	}
	return Call
}

// explains reports whether something of the incident makes it plain why a herald
// is on.
func (i *Incident) explains(herald *Member) bool {
	return slices.ContainsFunc(i.Members, func(m Member) bool { return !m.Herald && m.Priority >= herald.Priority })
}

// of is the open incident of an alarm, nil for none.
func (b *Book) of(key alerts.Key, occurrence int64) *Incident {
	for _, i := range b.index.byKey[key] {
		if m := i.member(occurrence); m != nil && m.Key == key {
			return i
		}
	}
	return nil
}

// join puts an alarm that is on into the open incident where it belongs, or the
// one that it brings back, or begins one at a time, which may be later than the
// alarm.
func (b *Book) join(a *alerts.Alarm, priority alerts.Priority, at time.Time) *Incident {
	role := b.roles[a.Key.Condition]
	found := peakOf(a.ObservedAt, a.Value, a.Limit, a.Unit, a.AirC)
	m := Member{
		Key: a.Key, Occurrence: a.Occurrence, Priority: priority, RaisedAt: a.RaisedAt, Order: role.Order, Herald: role.Herald, Explains: role.Explains, Yields: role.Yields,
		Peak: found, Last: found,
	}
	if role.Theme != "" {
		if i := b.index.byPlace[place{role.Theme, a.Key.Room}]; i != nil {
			i.Members = append(i.Members, m)
			b.index.joined(i, m.Key)
			return i
		}
	}
	if i := b.reopened(a); i != nil {
		return i
	}
	i := &Incident{Number: a.Occurrence, Room: a.Key.Room, Theme: role.Theme, BeganAt: at, Members: []Member{m}}
	b.add(i)
	return i
}

// reopened is the incident that an alarm has brought back, nil for none: nobody
// has acknowledged that it was over.
func (b *Book) reopened(a *alerts.Alarm) *Incident {
	k := slices.IndexFunc(b.ended, func(i Incident) bool {
		m := i.member(a.Occurrence)
		return m != nil && m.Key == a.Key && !m.Herald
	})
	if k < 0 {
		return nil
	}
	i := b.ended[k].clone()
	b.ended = slices.Delete(slices.Clone(b.ended), k, k+1)
	i.QuietAt, i.EndedAt = time.Time{}, time.Time{}
	i.Rank, i.Vain = 0, nil
	b.add(&i)
	return &i
}

// add takes in an incident that is open.
func (b *Book) add(i *Incident) {
	b.open = append(b.open, i)
	b.index.add(i)
}

// follow moves an alarm that follows from another into the incident of that. An
// incident that is left without any is none any more: people hear of the other.
func (b *Book) follow(i *Incident, a *alerts.Alarm, at time.Time) *Incident {
	if a.Under == nil {
		return i
	}
	var root *Incident
	for _, o := range b.index.byKey[*a.Under] {
		if slices.ContainsFunc(o.Members, func(m Member) bool { return m.Key == *a.Under && m.On() }) {
			root = o
		}
	}
	if root == nil || root == i {
		return i
	}
	m := *i.member(a.Occurrence)
	root.Members = append(root.Members, m)
	b.index.joined(root, m.Key)
	i.Members = slices.DeleteFunc(i.Members, func(o Member) bool { return o.Occurrence == a.Occurrence })
	if !i.has(m.Key) {
		b.index.left(i, m.Key)
	}
	for _, p := range i.Told {
		// Whoever was told of it hears of the end of the whole.
		if len(i.Members) == 0 && !slices.Contains(root.Told, p) {
			root.Told = append(root.Told, p)
			slices.Sort(root.Told)
		}
	}
	i.settle(at)
	if len(i.Members) == 0 {
		for _, c := range i.Called {
			if root.CalledLast(c.Person).IsZero() {
				root.Called = append(root.Called, c)
			}
		}
		b.index.drop(i)
		b.open = slices.DeleteFunc(b.open, func(o *Incident) bool { return o == i })
	}
	return root
}

// Note takes note of what was found about an alarm that is on.
func (b *Book) Note(o alerts.Observation) {
	now := peakOf(o.Time, o.Value, o.Limit, o.Unit, o.AirC)
	if o.Truth != alerts.True {
		now = Peak{}
	}
	for _, i := range b.index.byKey[o.Key] {
		for k := range i.Members {
			m := &i.Members[k]
			switch {
			case m.Key != o.Key || !m.On():
			case now == Peak{}:
				m.Last = Peak{}
			default:
				m.note(now)
			}
		}
	}
}

// peakOf is a value against a limit, none without a unit or a number.
func peakOf(at time.Time, value, limit float64, unit string, airC *float64) Peak {
	if unit == "" || math.IsNaN(value-limit) || math.IsInf(value-limit, 0) {
		return Peak{}
	}
	return Peak{at, value, limit, unit, airC}
}

// Move takes in that the clock was moved and no time passed.
func (b *Book) Move(by time.Duration) {
	b.dueKnown = false
	for _, i := range b.open {
		i.QuietAt = sensors.Moved(i.QuietAt, by)
		i.moveAnswers(by)
		for k := range i.Members {
			i.Members[k].Last.At = sensors.Moved(i.Members[k].Last.At, by)
		}
	}
}

// Open are the incidents that are not over, in order of their beginning; Ended
// those that ended lately, in order of their end.
func (b *Book) Open() []Incident {
	list := make([]Incident, len(b.open))
	for k, i := range b.open {
		list[k] = i.clone()
	}
	return list
}

// Ended are the incidents that ended in the last week, in order of their end, a
// hundred with a thousand alarms at most.
func (b *Book) Ended() []Incident { return slices.Clone(b.ended) }

// TakeEnded returns those that have ended since the last call. One that came back
// ends again.
func (b *Book) TakeEnded() []Incident {
	done := b.done
	b.done = nil
	return done
}

// Leads reports whether an alarm is the one to act on first in an incident of
// which something is on.
func (b *Book) Leads(key alerts.Key) bool {
	return slices.ContainsFunc(b.open, func(i *Incident) bool { return i.QuietAt.IsZero() && i.Lead().Key == key })
}

// Together are the alarms that are handled with one.
func (b *Book) Together(key alerts.Key) []alerts.Key {
	// What is over may still wait to be seen.
	of := slices.Clone(b.index.byKey[key])
	for k := range b.ended {
		if b.ended[k].has(key) {
			of = append(of, &b.ended[k])
		}
	}
	if len(of) == 0 {
		return []alerts.Key{key}
	}
	newest := of[0]
	for _, i := range of[1:] {
		if i.BeganAt.After(newest.BeganAt) {
			newest = i
		}
	}
	var keys []alerts.Key
	for _, m := range newest.Members {
		if !slices.Contains(keys, m.Key) {
			keys = append(keys, m.Key)
		}
	}
	return keys
}

// State returns what must outlive a restart.
func (b *Book) State() State { return State{b.Open(), b.Ended(), slices.Clone(b.waiting)} }

// Restore puts a state into an empty book.
func (b *Book) Restore(st State) {
	b.dueKnown = false
	b.ended, b.waiting = slices.Clone(st.Ended), slices.Clone(st.Waiting)
	for k := range st.Open {
		i := st.Open[k].clone()
		b.add(&i)
	}
}

// Reconcile makes the book agree with the alarms as the records have them: what
// is no longer on has ended, and what is on and unknown has an incident.
func (b *Book) Reconcile(list []alerts.Alarm, priority func(alerts.Condition) alerts.Priority, now time.Time) {
	b.dueKnown = false
	on := map[int64]*alerts.Alarm{}
	for k := range list {
		if list[k].Active {
			on[list[k].Occurrence] = &list[k]
		}
	}
	for _, i := range b.open {
		for k := range i.Members {
			m := &i.Members[k]
			if a := on[m.Occurrence]; a == nil && m.On() {
				m.ClearedAt = now
			}
		}
		i.settle(now)
	}
	for k := range list {
		a := &list[k]
		outlasts := func(i Incident) bool { return i.member(a.Occurrence) != nil }
		if !a.Active || b.of(a.Key, a.Occurrence) != nil || slices.ContainsFunc(b.ended, outlasts) {
			continue
		}
		p := priority(a.Key.Condition)
		i := b.join(a, p, a.RaisedAt)
		i.member(a.Occurrence).heed(a)
		i.settle(now)
		if a.Annunciations > 0 && !slices.Contains(i.Told, p) {
			i.Calls, i.Told = i.Calls+1, append(i.Told, p)
			slices.Sort(i.Told)
		}
	}
}
