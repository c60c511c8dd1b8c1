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
		return timekeeping.Beat{Wall: t.Round(0), Elapsed: t.Sub(begin)}
	}
}

// now is the time that the whole service goes by. Any goroutine may ask.
func (s *service) now() time.Time { return s.clock.At(s.Clocks().Elapsed) }

// look is a look at the clocks for the engine, which also asks whether they
// follow a source of time: that is not worth asking whenever somebody wants to
// know the time.
func (s *service) look() timekeeping.Beat {
	beat := s.Clocks()
	if s.Disciplined != nil {
		beat.Disciplined = s.Disciplined()
	}
	return beat
}

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
