package quality

import (
	"math"
	"slices"
	"time"

	"rearguard/sensors"
)

// Habit learns how often a sensor reports. A sensor is silent when it is late
// against its own habit, not against one number for all. The zero value has
// learned nothing. It is a plain value: a copy is a checkpoint.
type Habit struct {
	// Newest is the newest event time in Unix milliseconds, zero for none.
	Newest int64 `json:"newest"`
	// Bins counts intervals by quarter octaves above a second (0.84 s to 4 days); old
	// ones fade by halving all when they reach a total.
	Bins [habitBins]uint16 `json:"bins"`
	Seen int               `json:"seen"`
	// Recent are the newest intervals in seconds: when all of them are longer,
	// the habit has just been changed.
	Recent [4]float64 `json:"recent"`
}

const (
	habitBins    = 74
	habitTotal   = 1024
	habitLearned = 8
	// unknownSilence is allowed before anything is learned, learningSilence at
	// least while learning; common practice, no published source.
	unknownSilence  = 2 * time.Hour
	learningSilence = 30 * time.Minute
	minSilence      = 5 * time.Minute
	maxSilence      = 48 * time.Hour
)

// Observe takes the event time of a reading. Doubles, late ones and the
// several messages of one report (within half a second) teach nothing.
func (h *Habit) Observe(t time.Time) {
	at := t.UnixMilli()
	if h.Newest == 0 {
		h.Newest = at
		return
	}
	seconds := math.Min(float64(at-h.Newest)/1000, maxSilence.Seconds())
	if seconds < -3600 {
		// The newest time was a wrong clock.
		h.Newest = at
		return
	}
	if seconds < 0.5 {
		return
	}
	h.Newest = at
	bin := max(0, int(math.Round(math.Log2(seconds)*4)))
	h.Bins[bin]++
	copy(h.Recent[:], h.Recent[1:])
	h.Recent[len(h.Recent)-1] = seconds
	if h.Seen++; h.Seen < habitTotal {
		return
	}
	h.Seen = 0
	for i := range h.Bins {
		h.Bins[i] /= 2
		h.Seen += int(h.Bins[i])
	}
}

// Move takes in that the clock was moved: the newest time moves with it.
func (h *Habit) Move(by time.Duration) {
	if h.Newest != 0 {
		h.Newest += by.Milliseconds()
	}
}

func (h *Habit) quantile(q float64) time.Duration {
	want := int(math.Ceil(q * float64(h.Seen)))
	for i, n := range h.Bins {
		if want -= int(n); want <= 0 {
			return time.Duration(math.Exp2(float64(i)/4) * float64(time.Second))
		}
	}
	return maxSilence
}

// Interval returns the usual time between reports (the median, within 9 %) and
// whether enough were seen to say so.
func (h *Habit) Interval() (time.Duration, bool) {
	if h.Seen < habitLearned {
		return 0, false
	}
	return h.quantile(0.5), true
}

// SilentAfter returns the time without a report after which the sensor counts
// as silent: three usual intervals or half as long again as all but the
// longest hundredth, whichever is more, and twice the shortest of the newest
// four, so that a sensor set to report less often is understood at once. At
// least 5 min, since a shorter silence harms nothing, at most 48 h. Until
// eight intervals are known it is three times the longest of the newest, at
// least 30 min, and two hours before the second report. Common practice, no published source.
func (h *Habit) SilentAfter() time.Duration {
	switch {
	case h.Seen == 0:
		return unknownSilence
	case h.Seen < habitLearned:
		longest := time.Duration(3 * slices.Max(h.Recent[:]) * float64(time.Second))
		return min(max(longest, learningSilence), maxSilence)
	}
	// A tenth more than three makes up for the rounding of the learned value.
	usual := h.quantile(0.5) * 33 / 10
	longest := h.quantile(0.99) * 3 / 2
	recent := time.Duration(2 * slices.Min(h.Recent[:]) * float64(time.Second))
	return min(max(usual, longest, recent, minSilence), maxSilence)
}

// Silent reports whether the sensor is late at time now, and since when it has
// been: since its last report. A sensor that never reported is not silent but
// unknown.
func (h *Habit) Silent(now time.Time) (since time.Time, silent bool) {
	if h.Newest == 0 {
		return time.Time{}, false
	}
	last := millis(h.Newest)
	return last, now.Sub(last) > h.SilentAfter()
}

// Clock measures how far the own clock of a sensor is off. The zero value is
// ready; a copy is a checkpoint.
type Clock struct {
	Offsets [clockKeep]int64 `json:"offsets_ms"`
	N       int              `json:"n"`
}

const (
	clockKeep = 31
	clockMin  = 5
)

// Observe takes a reading's own time and when it arrived.
func (c *Clock) Observe(own, arrival time.Time) {
	c.Offsets[c.N%clockKeep] = arrival.Sub(own).Milliseconds()
	// Counting on beyond the ring only needs the position.
	if c.N++; c.N >= 2*clockKeep {
		c.N -= clockKeep
	}
}

// Skew returns the median of arrival minus own time over the last readings:
// positive for a clock that is behind or a link that is slow. It needs five.
func (c *Clock) Skew() (time.Duration, bool) {
	n := min(c.N, clockKeep)
	if n < clockMin {
		return 0, false
	}
	sorted := c.Offsets
	slices.Sort(sorted[:n])
	return time.Duration(sorted[n/2]) * time.Millisecond, true
}

// Check complains of a clock that is off by more than limit.
func (c *Clock) Check(now time.Time, limit time.Duration) (Finding, bool) {
	skew, ok := c.Skew()
	if !ok || skew.Abs() <= limit {
		return Finding{}, false
	}
	return Finding{CheckClockSkew, sensors.Suspect, -skew.Seconds(), limit.Seconds(), now.UTC()}, true
}

// Flap notices a sensor that comes and goes. The zero value is ready; a copy
// is a checkpoint.
type Flap struct {
	// Left holds the last departures in Unix milliseconds, oldest first.
	Left [flapLimit]int64 `json:"left"`
	Up   bool             `json:"up"`
}

const (
	// flapLimit departures within flapWindow are flapping; common practice,
	// no published source.
	flapLimit  = 4
	flapWindow = 6 * time.Hour
)

// Arrive notes that the sensor is there: by its availability topic or by a
// message.
func (f *Flap) Arrive() { f.Up = true }

// Leave notes that the sensor is gone: by its availability topic, its last
// will, or its habit. One that was gone already has not left again.
func (f *Flap) Leave(t time.Time) {
	if f.Up {
		copy(f.Left[:], f.Left[1:])
		f.Left[flapLimit-1] = t.UnixMilli()
	}
	f.Up = false
}

// Move takes in that the clock was moved: the departures move with it.
func (f *Flap) Move(by time.Duration) {
	for i := range f.Left {
		if f.Left[i] != 0 {
			f.Left[i] += by.Milliseconds()
		}
	}
}

// Check complains when the sensor left four times within six hours before now.
func (f *Flap) Check(now time.Time) (Finding, bool) {
	first := f.Left[0]
	if first == 0 || now.UnixMilli()-first > flapWindow.Milliseconds() {
		return Finding{}, false
	}
	return Finding{CheckFlapping, sensors.Suspect, flapLimit, flapWindow.Hours(), millis(first)}, true
}
