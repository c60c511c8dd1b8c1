package alerts

import (
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
// is itself silenced as out of service or suppressed folds nothing, for then
// nobody was told of it; a shelved root still does, since a person with a
// name has taken it on.
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
}

func newFolding(rules []FoldRule, defs map[Condition]Definition) (folding, error) {
	f := folding{rules: map[Condition][]FoldRule{}, depth: map[Condition]int{}}
	var faults []error
	for _, rule := range rules {
		if _, known := defs[rule.Root]; !known {
			faults = append(faults, fmt.Errorf("folding: root %q has no definition", rule.Root))
		}
		if rule.Grace < 0 {
			faults = append(faults, fmt.Errorf("folding: grace of root %q is negative", rule.Root))
		}
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
	return root.Active && !root.OutOfService && root.SuppressedBy == "" && root.Key != a.Key &&
		m.defs[a.Key.Condition].Priority() <= m.defs[root.Key.Condition].Priority()
}

// rootOf returns the root under which a falls now, nil for none: the one its
// last observation named, else the first that a rule finds.
func (m *Machine) rootOf(a Alarm) *Key {
	if a.NamedRoot != nil {
		if root, ok := m.alarms[*a.NamedRoot]; ok && m.holds(root, a) && !m.inCircle(a.Key, root) {
			return &root.Key
		}
	}
	for _, rule := range m.folding.rules[a.Key.Condition] {
		var found *Key
		for key, root := range m.alarms {
			covers := key.Condition == rule.Root && (key.Room == "" || key.Room == a.Key.Room)
			if covers && m.holds(root, a) && !m.inCircle(a.Key, root) && (found == nil || key.Compare(*found) < 0) {
				found = &root.Key
			}
		}
		if found != nil {
			return found
		}
	}
	return nil
}

// inCircle reports whether going up from root leads to key: two alarms that
// observations name as each other's root must not silence one another.
func (m *Machine) inCircle(key Key, root Alarm) bool {
	for range len(m.alarms) + 1 {
		if root.Under == nil {
			return false
		}
		if *root.Under == key {
			return true
		}
		root = m.Alarm(*root.Under)
	}
	return true
}

// refold brings all alarms under the roots they now have.
func (m *Machine) refold() []Transition {
	if !m.anyRoots() {
		return nil
	}
	var out []Transition
	for _, a := range m.Memory() {
		// What has already returned stays under its root, but does not fall
		// under a new one: that is not what caused it.
		if !a.wantsCall() || !a.Active && a.Under == nil {
			continue
		}
		root := m.rootOf(a)
		switch {
		case root != nil && (a.Under == nil || *a.Under != *root):
			out = append(out, m.apply(a.Key, func(s *step) { s.fold(*root) })...)
		case root != nil && !a.UnfoldAt.IsZero():
			// The root is back before the grace was over.
			a.UnfoldAt = time.Time{}
			m.put(a)
		case root == nil && a.Under != nil && a.UnfoldAt.IsZero():
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

// anyRoots spares the search where nothing could be folded or let go.
func (m *Machine) anyRoots() bool {
	if len(m.folding.rules) > 0 {
		return true
	}
	for _, a := range m.alarms {
		if a.NamedRoot != nil || a.Under != nil {
			return true
		}
	}
	return false
}
