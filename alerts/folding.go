package alerts

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"
)

// FoldRule says which alarms are only the consequence of another: while an
// alarm of the condition Root is active, alarms of the conditions in Folds do
// not call. A root with a room folds within its room, one without a room over
// the whole facility.
//
// A consequence of higher priority than its root is never folded. A root that
// is itself out of service folds nothing, for then nobody is told of it; a
// shelved root still does, since a person with a name has taken it on.
type FoldRule struct {
	Root  Condition
	Folds []Condition
	// Grace is how long the consequences stay folded after the root has
	// returned, so that they can return by themselves first.
	Grace time.Duration
}

// folding holds, for each condition, the rules that can fold it, in the order
// in which they were given, and how many roots lie above it at most.
type folding struct {
	rules map[Condition][]FoldRule
	depth map[Condition]int
	// roots are the conditions that fold others.
	roots map[Condition]bool
}

func newFolding(rules []FoldRule, defs map[Condition]*Definition) (folding, error) {
	f := folding{rules: map[Condition][]FoldRule{}, depth: map[Condition]int{}, roots: map[Condition]bool{}}
	var faults []error
	for _, rule := range rules {
		if _, known := defs[rule.Root]; !known {
			faults = append(faults, fmt.Errorf("folding: root %q has no definition", rule.Root))
		}
		if rule.Grace < 0 {
			faults = append(faults, fmt.Errorf("folding: grace of root %q is negative", rule.Root))
		}
		f.roots[rule.Root] = true
		for _, c := range rule.Folds {
			if _, known := defs[c]; !known {
				faults = append(faults, fmt.Errorf("folding: %q under root %q has no definition", c, rule.Root))
			}
			f.rules[c] = append(f.rules[c], rule)
		}
	}
	for c := range f.rules {
		if f.reaches(c, c, map[Condition]bool{}) {
			faults = append(faults, fmt.Errorf("folding: %q is its own root in a circle", c))
		}
	}
	if len(faults) > 0 {
		return folding{}, errors.Join(faults...)
	}
	for c := range f.rules {
		f.depth[c] = f.rootsAbove(c)
	}
	return f, nil
}

func (f folding) rootsAbove(c Condition) int {
	most := 0
	for _, rule := range f.rules[c] {
		most = max(most, 1+f.rootsAbove(rule.Root))
	}
	return most
}

// reaches reports whether target is among the roots of from, near or far.
func (f folding) reaches(from, target Condition, seen map[Condition]bool) bool {
	if seen[from] {
		return false
	}
	seen[from] = true
	return slices.ContainsFunc(f.rules[from], func(r FoldRule) bool {
		return r.Root == target || f.reaches(r.Root, target, seen)
	})
}

// grace is how long a stays folded once the root it was under has returned.
func (f folding) grace(a Alarm) time.Duration {
	for _, rule := range f.rules[a.Key.Condition] {
		if rule.Root == a.Under.Condition {
			return rule.Grace
		}
	}
	return 0
}

// holds reports whether root can fold a now.
func (m *Machine) holds(root, a Alarm) bool {
	return root.Active && !root.OutOfService && root.Key != a.Key &&
		m.defs[a.Key.Condition].Priority() <= m.defs[root.Key.Condition].Priority()
}

// activeRoots returns the keys of active alarms that rules can fold others
// under, by condition and in order of keys.
func (m *Machine) activeRoots() map[Condition][]Key {
	roots := map[Condition][]Key{}
	for key, a := range m.alarms {
		if a.Active && m.folding.roots[key.Condition] {
			roots[key.Condition] = append(roots[key.Condition], key)
		}
	}
	for _, keys := range roots {
		slices.SortFunc(keys, Key.Compare)
	}
	return roots
}

// candidates calls yield with the roots that could hold a now, best first:
// the one its last observation named, then those that the rules find.
func (m *Machine) candidates(a Alarm, roots map[Condition][]Key, yield func(Key) bool) {
	if a.NamedRoot != nil {
		if root, ok := m.alarms[*a.NamedRoot]; ok && m.holds(root, a) && yield(root.Key) {
			return
		}
	}
	for _, rule := range m.folding.rules[a.Key.Condition] {
		for _, key := range roots[rule.Root] {
			if (key.Room == "" || key.Room == a.Key.Room) && m.holds(m.alarms[key], a) && yield(key) {
				return
			}
		}
	}
}

// plan gives every active alarm the root it falls under. It does
// not depend on the roots they have now. Where observations name roots in a
// circle, which must not silence one another, the alarm raised first stays on
// top, for the latest take their roots first.
func (m *Machine) plan() map[Key]Key {
	type raised struct {
		occurrence int64
		key        Key
	}
	var list []raised
	for key, a := range m.alarms {
		// Of a thousand that are on most cannot fall under anything.
		if a.Active && (a.NamedRoot != nil || len(m.folding.rules[key.Condition]) > 0) {
			list = append(list, raised{a.Occurrence, key})
		}
	}
	slices.SortFunc(list, func(a, b raised) int { return cmp.Compare(b.occurrence, a.occurrence) })
	roots := m.activeRoots()
	under := make(map[Key]Key, len(list))
	for _, r := range list {
		a := m.alarms[r.key]
		m.candidates(a, roots, func(root Key) bool {
			for up, ok := root, true; ok; up, ok = under[up] {
				if up == a.Key {
					return false
				}
			}
			under[a.Key] = root
			return true
		})
	}
	return under
}

// couldHold reports whether an alarm is or could be the root of another.
func (m *Machine) couldHold(key Key) bool {
	if m.folding.roots[key.Condition] {
		return true
	}
	for _, a := range m.alarms {
		if a.NamedRoot != nil && *a.NamedRoot == key || a.Under != nil && *a.Under == key {
			return true
		}
	}
	return false
}

// rootOf returns the root under which an alarm falls once it is raised, nil
// for none.
func (m *Machine) rootOf(key Key) *Key {
	before, tracked := m.alarms[key]
	raised := before
	raised.Key, raised.Active = key, true
	if raised.Occurrence == 0 {
		raised.Occurrence = m.last + 1
	}
	if !m.couldHold(key) {
		// No circle can go through it: the best root will do.
		var best *Key
		m.candidates(raised, m.activeRoots(), func(root Key) bool {
			best = &root
			return true
		})
		return best
	}
	m.alarms[key] = raised
	root, found := m.plan()[key]
	if tracked {
		m.alarms[key] = before
	} else {
		delete(m.alarms, key)
	}
	if !found {
		return nil
	}
	return &root
}

// refoldAfter brings alarms under the roots they now have, after a change of
// one that may be a root.
func (m *Machine) refoldAfter(key Key) []Transition {
	if !m.couldHold(key) {
		return nil
	}
	return m.refold()
}

// refold brings all alarms under the roots they now have.
func (m *Machine) refold() []Transition {
	under := m.plan()
	var affected []Alarm
	for key, a := range m.alarms {
		if root, folded := under[key]; folded && (a.Under == nil || *a.Under != root || !a.UnfoldAt.IsZero()) || !folded && a.Under != nil && a.UnfoldAt.IsZero() {
			affected = append(affected, a)
		}
	}
	slices.SortFunc(affected, func(a, b Alarm) int { return a.Key.Compare(b.Key) })
	var out []Transition
	for _, a := range affected {
		root, folded := under[a.Key]
		switch {
		case folded && (a.Under == nil || *a.Under != root):
			out = append(out, m.apply(a.Key, func(s *step) { s.fold(root) })...)
		case folded && !a.UnfoldAt.IsZero():
			// The root is back before the grace was over.
			a.UnfoldAt = time.Time{}
			m.put(a)
		case !folded && a.Under != nil && a.UnfoldAt.IsZero():
			if grace := m.folding.grace(a); grace > 0 {
				a.UnfoldAt = m.now.Add(grace)
				m.put(a)
			} else {
				out = append(out, m.apply(a.Key, (*step).unfold)...)
			}
		}
	}
	return out
}
