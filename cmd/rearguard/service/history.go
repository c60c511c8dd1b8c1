package service

import (
	"context"
	"time"

	"rearguard/daemon/records/upkeep"
)

// packEvery is the pace of packHistory, hotFor how long readings stay in the
// hot table.
const (
	packEvery = time.Hour
	hotFor    = 36 * time.Hour
)

// packHistory packs old history, deletes and condenses what is past its
// keeping and gives the space back, until ctx ends.
func (s *service) packHistory(ctx context.Context) {
	ticker := time.NewTicker(packEvery)
	defer ticker.Stop()
	for {
		now := s.now()
		_, err := s.store.Roll(ctx, now.Add(-hotFor))
		// What is deleted does not come back: not by a clock that is doubted.
		if err == nil && s.clock.Settled() {
			err = s.deleteOld(ctx, now)
		}
		if err == nil {
			err = upkeep.Shrink(ctx, s.store)
		}
		if err != nil && ctx.Err() == nil {
			s.Logger.Error("history could not be packed; it will be tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// deleteOld deletes and condenses what is past its keeping.
func (s *service) deleteOld(ctx context.Context, now time.Time) error {
	keep := s.site.now.Load().facility.Records
	if keep.KeepDays > 0 {
		if _, _, err := upkeep.Retain(ctx, s.store, upkeep.Retention{Now: now, HistoryDays: keep.KeepDays}); err != nil {
			return err
		}
	}
	return upkeep.Condense(ctx, s.store, upkeep.Keep{Now: now, DetailDays: keep.KeepDetailDays})
}
