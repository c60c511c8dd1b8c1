package service

import (
	"time"

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
