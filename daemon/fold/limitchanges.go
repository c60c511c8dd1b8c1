package fold

import (
	"context"
	"maps"
	"slices"
	"time"

	"rearguard/daemon/snapshot"
)

// changesKept bounds the changes of limits that pages show; the journal has
// all of them.
const changesKept = 100

// limitsEvent says that the configuration of limits and alarms is not what it
// was when the daemon ran last.
type limitsEvent struct {
	Limits map[string]string `json:"limits"`
	// Changes is empty the first time, when there is nothing to compare.
	Changes []snapshot.LimitChange `json:"changes,omitempty"`
}

func (limitsEvent) Kind() string { return "limits" }

func (limitsEvent) who() string { return "configuration" }

func (e limitsEvent) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return func() error {
		f.own.limits = e.Limits
		changes := append(slices.Clone(f.own.changes), e.Changes...)
		f.own.changes = changes[max(0, len(changes)-changesKept):]
		return nil
	}, nil
}

// NoteLimits journals the configured limits if they have changed.
func (f *Fold) NoteLimits(ctx context.Context, now time.Time) error {
	limits := f.facility.LimitsByName()
	before := f.own.limits
	if before != nil && maps.Equal(limits, before) {
		return nil
	}
	event := limitsEvent{Limits: limits}
	if before != nil {
		event.Changes = snapshot.LimitChanges(before, limits, now)
	}
	return f.record(ctx, event)
}
