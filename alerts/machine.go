package alerts

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Machine holds all alarms of a facility. It has no clock: time comes in with
// every call. The answers do not depend on how often Advance is called, since
// every call first lets run out what was due before it, in order of time.
// A Machine belongs to one goroutine.
type Machine struct {
	defs    map[Condition]*Definition
	folding folding
	alarms  map[Key]Alarm
	changed map[Key]struct{}
	last    int64
	now     time.Time
	// dues holds the earliest timer of each alarm that has one; next is the
	// earliest of them all when nextKnown is set.
	dues      map[Key]due
	next      due
	nextKnown bool
	// restored is set until the roots of restored alarms have been looked at
	// again: the rules may have changed over the restart.
	restored bool
	// leads reports whether an alarm is the one by which an acknowledgement is
	// judged, nil for each.
	leads func(Key) bool
}

// NewMachine builds a machine for the conditions defined. It refuses a
// definition that is incomplete or given twice, and rules that fold in a
// circle, all reported together.
func NewMachine(defs []Definition, rules ...FoldRule) (*Machine, error) {
	m := &Machine{
		defs:   make(map[Condition]*Definition, len(defs)),
		alarms: map[Key]Alarm{}, changed: map[Key]struct{}{}, dues: map[Key]due{},
	}
	var faults []error
	for _, d := range defs {
		if err := d.Validate(); err != nil {
			faults = append(faults, err)
		}
		if _, twice := m.defs[d.Condition]; twice {
			faults = append(faults, fmt.Errorf("definition of %q: given twice", d.Condition))
		}
		m.defs[d.Condition] = &d
	}
	var err error
	if m.folding, err = newFolding(rules, m.defs); err != nil {
		faults = append(faults, err)
	}
	if err := errors.Join(faults...); err != nil {
		return nil, fmt.Errorf("alarm definitions: %w", err)
	}
	return m, nil
}

// Lead has only those alarms call again for an acknowledgement that led to
// nothing of which leads says that they are the ones to act on first.
func (m *Machine) Lead(leads func(Key) bool) { m.leads = leads }

// Definition returns the definition of a condition.
func (m *Machine) Definition(c Condition) (Definition, bool) {
	d, ok := m.defs[c]
	if !ok {
		return Definition{}, false
	}
	return *d, true
}

// Observe takes in one finding and returns what follows from it. Findings are
// taken in the order of calls; one that is timed before the machine's time
// counts as of the machine's time. A condition without a definition is
// ignored, as there is nothing to tell a person about it.
func (m *Machine) Observe(o Observation) []Transition {
	def, known := m.defs[o.Key.Condition]
	if !known {
		return nil
	}
	out := m.Advance(o.Time)
	a, tracked := m.alarms[o.Key]
	if !tracked {
		if o.Truth != True {
			return out
		}
		a = Alarm{Key: o.Key}
	}
	s := step{def: def, a: a, now: m.now}
	raise, clear := s.observe(o)
	m.put(s.a)
	switch {
	case raise:
		out = append(out, m.raise(o.Key)...)
	case clear:
		out = append(out, m.clear(o.Key)...)
	case rootChanged(a.NamedRoot, s.a.NamedRoot):
		out = append(out, m.refold()...)
	}
	return out
}

func rootChanged(before, after *Key) bool {
	if before == nil || after == nil {
		return before != after
	}
	return *before != *after
}

// Advance lets time pass up to now: delays run out, shelving ends, roots let
// go, acknowledged alarms call again.
func (m *Machine) Advance(now time.Time) []Transition {
	var out []Transition
	if m.restored {
		m.restored = false
		out = m.refold()
	}
	for {
		d := m.nextDue()
		if d.at.IsZero() || d.at.After(now) {
			break
		}
		// A time before the machine's own can only come from a definition
		// changed over a restart.
		m.now = latest(m.now, d.at)
		out = append(out, m.fire(d)...)
	}
	m.now = latest(m.now, now)
	return out
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Alarm returns one alarm. One without any memory is normal, with only its
// key set.
func (m *Machine) Alarm(key Key) Alarm {
	if a, ok := m.alarms[key]; ok {
		return a
	}
	return Alarm{Key: key}
}

// Tracks reports whether anything is remembered of an alarm. A finding other
// than true changes nothing about one that is not tracked.
func (m *Machine) Tracks(key Key) bool {
	_, ok := m.alarms[key]
	return ok
}

// Alarms returns every alarm that is not normal, most urgent first, then in
// order of raising.
func (m *Machine) Alarms() []Alarm {
	var list []Alarm
	for _, a := range m.alarms {
		if a.State() != Normal {
			list = append(list, a)
		}
	}
	slices.SortFunc(list, func(a, b Alarm) int {
		return cmp.Or(
			cmp.Compare(m.defs[b.Key.Condition].Priority(), m.defs[a.Key.Condition].Priority()),
			a.RaisedAt.Compare(b.RaisedAt),
			a.Key.Compare(b.Key),
		)
	})
	return list
}

// Memory returns every alarm that carries memory, also normal ones with a
// running delay, in order of their keys. It is what Restore wants.
func (m *Machine) Memory() []Alarm {
	list := make([]Alarm, 0, len(m.alarms))
	for _, a := range m.alarms {
		list = append(list, a)
	}
	slices.SortFunc(list, func(a, b Alarm) int { return a.Key.Compare(b.Key) })
	return list
}

// TakeChanged returns the alarms whose memory has changed since the last
// call, in order of their keys. Stored with each batch they are what Restore
// wants; one that State calls normal and that has no running delay may be
// deleted from the store.
func (m *Machine) TakeChanged() []Alarm {
	list := make([]Alarm, 0, len(m.changed))
	for key := range m.changed {
		list = append(list, m.Alarm(key))
	}
	clear(m.changed)
	slices.SortFunc(list, func(a, b Alarm) int { return a.Key.Compare(b.Key) })
	return list
}

// LastOccurrence returns the highest occurrence number given out. It must be
// kept with the alarms, for closed occurrences leave no alarm behind.
func (m *Machine) LastOccurrence() int64 { return m.last }

// SetLastOccurrence sets the counter after a restart. It never goes back.
func (m *Machine) SetLastOccurrence(n int64) { m.last = max(m.last, n) }

// Restore puts stored alarms in place of the machine's own. Alarms of
// conditions no longer defined are left out and returned, so that the caller
// can say so.
func (m *Machine) Restore(alarms []Alarm) (undefined []Alarm) {
	m.alarms = make(map[Key]Alarm, len(alarms))
	clear(m.changed)
	clear(m.dues)
	m.nextKnown, m.restored = false, true
	for _, a := range alarms {
		m.SetLastOccurrence(a.Occurrence)
		if _, known := m.defs[a.Key.Condition]; !known {
			undefined = append(undefined, a)
			continue
		}
		m.now = latest(m.now, a.UpdatedAt)
		if a.Active && a.Owed && !a.Silenced() {
			// What silenced it is no longer known: it is let go like a
			// consequence, and calls.
			a.UnfoldAt = a.UpdatedAt
		}
		if a.waits() && !a.Owed && a.Annunciations > 0 && a.RepeatAt.IsZero() {
			// It was stored when its calls were not repeated.
			a.RepeatAt = m.defs[a.Key.Condition].repeatAfter(a.Repeats, a.UpdatedAt)
		}
		if !a.Quiet() {
			m.alarms[a.Key] = a
			m.schedule(a)
		}
	}
	return undefined
}

// put stores an alarm, or forgets it when nothing is left to remember.
func (m *Machine) put(a Alarm) {
	if a.Quiet() {
		if _, tracked := m.alarms[a.Key]; !tracked {
			return
		}
		delete(m.alarms, a.Key)
	} else {
		m.alarms[a.Key] = a
	}
	m.changed[a.Key] = struct{}{}
	m.schedule(a)
}
