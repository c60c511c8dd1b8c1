package quality

import (
	"math"
	"time"

	"rearguard/sensors"
)

// Swap says that two sensors look exchanged: since some time each reads what
// the place of the other would.
type Swap struct {
	A     sensors.SensorID `json:"a"`
	B     sensors.SensorID `json:"b"`
	Since time.Time        `json:"since"`
}

// swapAfter is how long both must look exchanged. It is shorter than the
// default FarAfter, so that the pair is named no later than its halves.
const swapAfter = time.Hour

// FindSwaps looks for exchanged sensors among rooms that measure the same
// quantity, from their state at time now. Two sensors whose places read alike
// cannot be told from exchanged ones, and their exchange does no harm.
func FindSwaps(rooms []*Neighbours, now time.Time) []Swap {
	type place struct {
		room *Neighbours
		m    *member
	}
	var far []place
	at := now.UnixMilli()
	for _, r := range rooms {
		for _, m := range r.members {
			if m.Learned && m.FarSince != 0 && at-m.FarSince >= swapAfter.Milliseconds() && m.fresh(at) {
				far = append(far, place{r, m})
			}
		}
	}
	var swaps []Swap
	for i, a := range far {
		for _, b := range far[i+1:] {
			apart := a.m.FarSince - b.m.FarSince
			if a.room.q == b.room.q && max(apart, -apart) < 2*hourMillis &&
				looksLike(a.m, b.room, b.m) && looksLike(b.m, a.room, a.m) {
				swaps = append(swaps, Swap{a.m.ID, b.m.ID, millis(min(a.m.FarSince, b.m.FarSince))})
			}
		}
	}
	return swaps
}

// looksLike reports whether m reads what the place of other would: within the
// far limit of it and much nearer to it than to its own place.
func looksLike(m *member, room *Neighbours, other *member) bool {
	there := math.Abs(m.Level - (room.center + other.Base))
	here := math.Abs(m.Away - m.Base)
	return there < room.c.Far && there < here/2
}
