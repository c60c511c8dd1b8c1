package fold

import (
	"context"
	"time"

	"rearguard/daemon/snapshot"
)

// limitsEvent says that the configuration of limits and alarms is not what it
// was before.
type limitsEvent struct{ snapshot.LimitsNoted }

func (limitsEvent) Kind() string { return "limits" }

func (limitsEvent) who() string { return "configuration" }

func (e limitsEvent) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return func() error {
		f.own.limits = f.own.limits.After(e.LimitsNoted)
		return nil
	}, nil
}

// NoteLimits journals the configured limits if they have changed.
func (f *Fold) NoteLimits(ctx context.Context, now time.Time) error {
	event, differs := f.own.limits.Next(f.facility.LimitsByName(), now)
	if !differs {
		return nil
	}
	return f.record(ctx, limitsEvent{event})
}
