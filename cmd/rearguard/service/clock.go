package service

import (
	"context"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon/timekeeping"
)

// Machine looks at the clocks of this machine. What now gives has a monotonic
// reading, as the times of package time have.
func Machine(now func() time.Time) func() timekeeping.Beat {
	begin := now()
	return func() timekeeping.Beat {
		t := now()
		return timekeeping.Beat{Wall: t.Round(0), Elapsed: t.Sub(begin), Disciplined: disciplined()}
	}
}

// now is the time that the whole service goes by. Any goroutine may ask.
func (s *service) now() time.Time { return s.clock.At(s.Clocks().Elapsed) }

// followClock sees to it, until ctx ends, that no notice waits for a time that
// was made by a clock that was ahead: at the start, and when the time goes back.
func (s *service) followClock(ctx context.Context) {
	var last time.Time
	s.eachTick(ctx, func() {
		now := s.now()
		if !last.IsZero() && !now.Before(last) {
			last = now
			return
		}
		if err := s.store.HurryAhead(ctx, now, notify.LongestPause); err != nil {
			return // tried again at the next tick
		}
		last = now
		s.notifier.Wake()
	})
}
