package snapshot

import (
	"maps"
	"slices"
	"time"
)

// changesKept bounds the changes of limits that pages show; the journal has
// all of them.
const changesKept = 100

// LimitsNoted is the configuration of limits as it was noted last, and the
// latest of its changes.
type LimitsNoted struct {
	// Limits are by name, nil before the first.
	Limits map[string]string `json:"limits"`
	// Changes is empty the first time, when there is nothing to compare.
	Changes []LimitChange `json:"changes,omitempty"`
}

// Next is what is to be noted of the limits configured at a time, and whether
// that is anything.
func (n LimitsNoted) Next(configured map[string]string, at time.Time) (LimitsNoted, bool) {
	if n.Limits == nil {
		return LimitsNoted{Limits: configured}, true
	}
	return LimitsNoted{configured, limitChanges(n.Limits, configured, at)}, !maps.Equal(n.Limits, configured)
}

// After is what is known once the next was noted.
func (n LimitsNoted) After(next LimitsNoted) LimitsNoted {
	changes := append(slices.Clone(n.Changes), next.Changes...)
	return LimitsNoted{next.Limits, changes[max(0, len(changes)-changesKept):]}
}

// limitChanges are the differences between two configurations of limits, found
// at a time, in order of name.
func limitChanges(before, after map[string]string, at time.Time) []LimitChange {
	names := slices.Sorted(maps.Keys(before))
	for name := range after {
		if _, ok := before[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	var list []LimitChange
	for _, name := range names {
		if before[name] != after[name] {
			list = append(list, LimitChange{At: at, What: name, From: before[name], To: after[name]})
		}
	}
	return list
}
