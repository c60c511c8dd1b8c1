package trend

import (
	"math"
	"time"
)

// How outside air shows in a room.
const (
	// An opened door shows as a jump within this time.
	jumpWithin = 6 * time.Minute
	jumpC      = 0.5
	jumpShare  = 0.20
	jumpStays  = 0.75
	// jumpAge is how long the air must have stayed as the jump left it.
	jumpAge = 6 * time.Minute
	// A closed room loses moisture by its leaks alone, a room with something
	// open many times as fast: leakSpans stretches of leakSpan in a row that
	// each lose leakShare, and leakTimes what they ever lose in that room,
	// show that air is being exchanged.
	leakSpan  = 7 * time.Minute
	leakSpans = 3
	leakShare = 0.025
	leakTimes = 2.0
	// A room that is ventilated loses as much while its humidifier rests, which
	// may be for one stretch only: restTimes that of a usual hour.
	restTimes = 1.5
)

// Jump finds a sudden change of temperature and moisture together, in the
// same direction as outside air brings it, that has not gone back since: a
// visit of a minute jumps as well, and recovers.
func (tr Trend) Jump(usual Range) (dC, dW float64, found bool) {
	last := tr.Samples[len(tr.Samples)-1]
	for i, a := range tr.Samples {
		if a.W <= 0 || last.W <= 0 || usual.Outside(a, 0.5) {
			continue
		}
		stayC, stayW := last.C-a.C, math.Log(last.W/a.W)
		for _, b := range tr.Samples[i+1:] {
			if b.Time.Sub(a.Time) > jumpWithin {
				break
			}
			if b.W <= 0 {
				continue
			}
			c, w := b.C-a.C, math.Log(b.W/a.W)
			if last.Time.Sub(b.Time) < jumpAge {
				break
			}
			sudden := math.Abs(c) >= jumpC && math.Abs(w) >= jumpShare && math.Signbit(c) == math.Signbit(w)
			stays := stayC/c > jumpStays && stayW/w > jumpStays
			if sudden && stays && math.Abs(c) > math.Abs(dC) {
				dC, dW, found = c, w, true
			}
		}
	}
	return dC, dW, found
}

// Airing reports whether moisture was lost in one go faster than this room
// ever loses it when it is shut.
func (tr Trend) Airing(usual Range) bool {
	for end := range tr.Samples {
		if tr.sustainedLoss(end) >= max(leakShare, leakTimes*usual.Loss, restTimes*usual.Rest) {
			return true
		}
	}
	return false
}

// sustainedLoss is the least share of moisture lost in each of leakSpans
// stretches in a row that end with a sample, 0 where that is not known. A
// visitor at the door takes more, but in one stretch or two.
func (tr Trend) sustainedLoss(end int) float64 {
	least := math.Inf(1)
	for range leakSpans {
		from := tr.before(end, leakSpan)
		if least = min(least, tr.loss(from, end)); least == 0 {
			return 0
		}
		end = from
	}
	return least
}

// loss is the share of moisture lost between two samples, 0 where none was or it
// is not known.
func (tr Trend) loss(from, to int) float64 {
	if from < 0 || tr.Samples[from].W <= 0 || tr.Samples[to].W <= 0 {
		return 0
	}
	return max(0, math.Log(tr.Samples[from].W/tr.Samples[to].W))
}

// before is the sample that lies a span before another, -1 if there is none
// near it.
func (tr Trend) before(end int, span time.Duration) int {
	for j := end - 1; j >= 0; j-- {
		if d := tr.Samples[end].Time.Sub(tr.Samples[j].Time); d >= span {
			if d > span+span/2 {
				return -1
			}
			return j
		}
	}
	return -1
}
