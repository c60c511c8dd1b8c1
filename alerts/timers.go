package alerts

import (
	"cmp"
	"time"
)

// timer says which of an alarm's timers is due. Those due at the same instant
// run in this order over all alarms: what ends is ended before anything is
// let go, so that no alarm calls for a condition that returns just then.
type timer uint8

const (
	offDelayOver timer = iota
	onDelayOver
	unfoldOver
	shelvingOver
	reAlarmOver
	respondOver
	repeatOver
)

type due struct {
	at    time.Time
	timer timer
	// turn orders alarms whose same timer is due at the same instant: roots
	// are raised before their consequences and cleared after them.
	turn int
	key  Key
}

func (d due) before(other due) bool {
	if other.at.IsZero() {
		return true
	}
	return cmp.Or(d.at.Compare(other.at), cmp.Compare(d.timer, other.timer), cmp.Compare(d.turn, other.turn), d.key.Compare(other.key)) < 0
}

// dueOf returns the earliest timer of one alarm, the zero value for none.
func (m *Machine) dueOf(a Alarm) due {
	def := m.defs[a.Key.Condition]
	depth := m.folding.depth[a.Key.Condition]
	var first due
	consider := func(at time.Time, t timer, turn int) {
		if d := (due{at, t, turn, a.Key}); !at.IsZero() && d.before(first) {
			first = d
		}
	}
	if a.Active {
		consider(a.Off.due(a.offDelay(def)), offDelayOver, -depth)
	} else {
		consider(a.On.due(def.OnDelay), onDelayOver, depth)
	}
	consider(a.UnfoldAt, unfoldOver, depth)
	consider(a.ShelvedUntil, shelvingOver, depth)
	if a.Active && a.Acked && !a.Silenced() && def.ReAlarm > 0 {
		consider(a.AckedAt.Add(a.AckMoved+def.ReAlarm), reAlarmOver, depth)
	}
	if a.Active && a.Acked && !a.Silenced() && a.UnknownSince.IsZero() {
		// What is not known now is looked at once it is.
		consider(a.VainAt, respondOver, depth)
	}
	if a.waits() && !a.Silenced() && len(def.Repeat) > 0 {
		consider(a.RepeatAt, repeatOver, depth)
	}
	return first
}

// schedule notes the earliest timer of an alarm that has changed.
func (m *Machine) schedule(a Alarm) {
	d := m.dueOf(a)
	if d.at.IsZero() {
		delete(m.dues, a.Key)
	} else {
		m.dues[a.Key] = d
	}
	switch {
	case m.next.key == a.Key:
		m.nextKnown = false
	case m.nextKnown && !d.at.IsZero() && d.before(m.next):
		m.next = d
	}
}

// Due is when time alone brings something about next, zero for never.
func (m *Machine) Due() time.Time { return m.nextDue().at }

// nextDue returns the earliest timer of all alarms, the zero value for none.
func (m *Machine) nextDue() due {
	if m.nextKnown {
		return m.next
	}
	m.next = due{}
	for _, d := range m.dues {
		if d.before(m.next) {
			m.next = d
		}
	}
	m.nextKnown = true
	return m.next
}

// fire carries out a timer that is due at the machine's time.
func (m *Machine) fire(d due) []Transition {
	switch d.timer {
	case offDelayOver:
		return m.clear(d.key)
	case onDelayOver:
		return m.raise(d.key)
	case unfoldOver:
		return m.apply(d.key, (*step).unfold)
	case shelvingOver:
		return m.apply(d.key, func(s *step) {
			s.restore(EventShelvingEnds, "", "time is up", (*Alarm).unshelve)
		})
	case reAlarmOver:
		return m.apply(d.key, (*step).realarm)
	case respondOver:
		matters := m.leads == nil || m.leads(d.key)
		return m.apply(d.key, func(s *step) { s.inVain(matters) })
	case repeatOver:
		return m.apply(d.key, (*step).repeat)
	}
	return nil
}

// raise makes an alarm active, folded at once if its root is, and then folds
// its own consequences.
func (m *Machine) raise(key Key) []Transition {
	root := m.rootOf(key)
	out := m.apply(key, func(s *step) { s.raise(root) })
	m.last = max(m.last, m.Alarm(key).Occurrence)
	return append(out, m.refoldAfter(key)...)
}

func (m *Machine) clear(key Key) []Transition {
	return append(m.apply(key, (*step).clear), m.refoldAfter(key)...)
}

// apply runs one step on one alarm and keeps the result.
func (m *Machine) apply(key Key, do func(*step)) []Transition {
	s := step{def: m.defs[key.Condition], a: m.Alarm(key), now: m.now, occurrence: m.last + 1}
	do(&s)
	if !s.a.waits() {
		s.a.Repeats, s.a.RepeatAt = 0, time.Time{}
	}
	m.put(s.a)
	return s.out
}
