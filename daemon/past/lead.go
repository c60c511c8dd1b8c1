package past

import (
	"time"

	"rearguard/sensors/desk"
)

// Lead is by how much the arrivals in the records are ahead of the fold's clock.
// The order of what is recorded is that of its arrival, which must not go back
// when the clock does; so what arrives after the clock was set back is recorded
// as that much later, until the clock goes forward again.
type Lead time.Duration

// Recorded is the arrival in the records of what arrives at a time.
func (l Lead) Recorded(arrival time.Time) time.Time { return arrival.Add(time.Duration(l)) }

// Arrival is when arrived what the records have as of a time.
func (l Lead) Arrival(recorded time.Time) time.Time { return recorded.Add(-time.Duration(l)) }

// Onward is the arrival in the records of the event by which a clock goes on at
// another time, and the lead from then on.
func (l Lead) Onward(clock, to time.Time) (recorded time.Time, next Lead) {
	recorded = desk.Later(l.Recorded(clock.Add(time.Millisecond)), to)
	return recorded, Lead(recorded.Sub(to))
}
