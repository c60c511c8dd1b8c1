package past

import "time"

// Lead is by how much the arrivals in the records are ahead of the fold's clock.
// The order of what is recorded is that of its arrival, which must not go back
// when the clock does; so what arrives after the clock was set back is recorded
// as that much later, until the clock goes forward again.
type Lead time.Duration

// Recorded is the arrival in the records of what arrives at a time.
func (l Lead) Recorded(arrival time.Time) time.Time { return arrival.Add(time.Duration(l)) }

// Arrival is when arrived what the records have as of a time.
func (l Lead) Arrival(recorded time.Time) time.Time { return recorded.Add(-time.Duration(l)) }

// Moved is the lead once the clock goes on at another time, after an event that
// arrived by it until then.
func (l Lead) Moved(event, to time.Time) Lead { return Lead(max(0, l.Recorded(event).Sub(to))) }
