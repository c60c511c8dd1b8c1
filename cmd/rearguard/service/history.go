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

// packHistory tends the records, until ctx ends.
func (s *service) packHistory(ctx context.Context) {
	ticker := time.NewTicker(packEvery)
	defer ticker.Stop()
	for {
		keep := s.inForce().Records
		err := upkeep.Tend(ctx, s.store, upkeep.Care{
			Now: s.now(), HotFor: hotFor, Certain: s.clock.Settled(), HistoryDays: keep.KeepDays, DetailDays: keep.KeepDetailDays,
		})
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
