package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
)

// Look reads the state of a facility out of its records, as of the last
// commit, also while the daemon writes them. Nothing is written.
func Look(ctx context.Context, f *facility.Facility, catalog *rearing.Catalog, reader *records.Reader, logger *slog.Logger) (*Snapshot, error) {
	c, err := newCore(coreOptions{facility: f, catalog: catalog, logger: logger})
	if err != nil {
		return nil, err
	}
	c.history = readerHistory{ctx: ctx, reader: reader, clock: func() time.Time { return c.clock }}
	marks, err := reader.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	var cp checkpoint
	body, err := reader.LoadState(ctx, checkpointName)
	switch {
	case errors.Is(err, records.ErrNotFound):
	case err != nil:
		return nil, err
	default:
		if err := json.Unmarshal(body, &cp); err != nil {
			return nil, fmt.Errorf("checkpoint: %w", err)
		}
		if err := c.load(cp); err != nil {
			return nil, err
		}
	}
	if marks.Clock.IsZero() {
		return c.view(), nil
	}
	if err := c.replay(ctx, reader, cp.Clock, farFuture, func() { *c.out = records.Batch{} }); err != nil {
		return nil, err
	}
	if err := c.advanceTo(marks.Clock); err != nil {
		return nil, err
	}
	return c.view(), nil
}
