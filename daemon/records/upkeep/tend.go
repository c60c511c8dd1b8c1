package upkeep

import (
	"context"
	"time"

	"rearguard/daemon/records"
)

// Care says what Tend does.
type Care struct {
	// Now is the present time, HotFor how long readings stay as they came
	// before they are packed.
	Now    time.Time
	HotFor time.Duration
	// Certain is set unless the clock is doubted.
	Certain bool
	// HistoryDays is how long readings are kept, DetailDays how long details of
	// alarms and notices are, as Retention and Keep have it.
	HistoryDays, DetailDays int
}

// Tend does what the records need every hour: it packs history, deletes and
// condenses what is past its keeping and gives the space back. What is deleted
// does not come back, so a clock that is doubted deletes nothing.
func Tend(ctx context.Context, s *records.Store, c Care) error {
	if _, err := s.Roll(ctx, c.Now.Add(-c.HotFor)); err != nil {
		return err
	}
	if c.Certain {
		if _, _, err := Retain(ctx, s, Retention{Now: c.Now, HistoryDays: c.HistoryDays}); err != nil {
			return err
		}
		if err := Condense(ctx, s, Keep{Now: c.Now, DetailDays: c.DetailDays}); err != nil {
			return err
		}
	}
	return Shrink(ctx, s)
}
