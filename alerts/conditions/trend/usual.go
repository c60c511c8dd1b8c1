package trend

import (
	"math"
	"slices"
	"time"

	"rearguard/sensors"
)

// Range is the usual range of a room's air over the last day.
type Range struct {
	LowC  float64 `json:"low_c"`
	HighC float64 `json:"high_c"`
	// LowW and HighW are humidity ratios in g/kg, 0 where not known.
	LowW  float64 `json:"low_w,omitempty"`
	HighW float64 `json:"high_w,omitempty"`
	// HeldRH is the relative humidity in percent that was held in every
	// hour: the lowest hourly mean, 0 where not known.
	HeldRH float64 `json:"held_rh,omitempty"`
	// LowD is how well the room's sensors agreed in the hour in which they
	// agreed best, in °C.
	LowD float64 `json:"low_d,omitempty"`
	// HighOver is the most by which the room was warmer than outdoors in °C.
	HighOver float64 `json:"high_over,omitempty"`
	// Loss is the most that the room keeps losing of its moisture, as a share
	// in leakSpan, Rest the most that it loses in one in the middle of its
	// hours: visitors at the door come in few of them.
	Loss float64 `json:"loss,omitempty"`
	Rest float64 `json:"rest,omitempty"`
}

// The thresholds below go with those by which conditions tell causes apart.
const (
	// usualHours is how much of a day must be known to know what is usual.
	usualHours = 20
	// outsideC and outsideShare are how far out of the usual range the air
	// must be.
	outsideC     = 0.5
	outsideShare = 0.06
	// outsideRH is how far, in percent, relative humidity must be below what
	// was held before for the humidifier to have stopped as well: more than
	// the band of a humidistat.
	outsideRH = 4.0
)

// Usual is the range over the last day without the present and the last hour,
// in which the trouble may already show.
func (tr Trend) Usual(now time.Time) (Range, bool) {
	r := Range{LowC: math.Inf(1), HighC: math.Inf(-1), LowD: math.Inf(1)}
	hours := 0
	var rests []float64
	for _, h := range tr.hours() {
		if now.Sub(h.Start) < 2*time.Hour || now.Sub(h.Start) > 25*time.Hour {
			continue
		}
		hours++
		r.LowC, r.HighC, r.LowD = min(r.LowC, h.LowC), max(r.HighC, h.HighC), min(r.LowD, h.HighD)
		r.HighOver, r.Loss = max(r.HighOver, h.HighOver), max(r.Loss, h.Loss)
		rests = append(rests, h.Rest)
		if h.LowW > 0 {
			r.HighW = max(r.HighW, h.HighW)
			r.LowW, r.HeldRH = lowest(r.LowW, h.LowW), lowest(r.HeldRH, h.MeanRH)
		}
	}
	if hours > 0 {
		r.Rest = sensors.Median(rests)
	}
	return r, hours >= usualHours
}

// Outside reports whether a sample is out of the range, widened by a share of
// the margins: 1 to begin a trouble, less to end it.
func (r Range) Outside(s Sample, share float64) bool {
	return r.Cold(s, share) || r.Hot(s, share) || r.Dry(s, share) ||
		s.W > 0 && r.HighW > 0 && s.W > r.HighW*(1+share*outsideShare)
}

// Cold reports whether a sample is below the range, one way of being Outside.
func (r Range) Cold(s Sample, share float64) bool { return s.C < r.LowC-share*outsideC }

// Hot reports whether a sample is above the range.
func (r Range) Hot(s Sample, share float64) bool { return s.C > r.HighC+share*outsideC }

// Dry reports whether a sample holds less water, or is less humid, than the range.
func (r Range) Dry(s Sample, share float64) bool {
	return s.W > 0 && r.LowW > 0 && s.W < r.LowW*(1-share*outsideShare) ||
		s.RH > 0 && r.HeldRH > 0 && s.RH < r.HeldRH-share*outsideRH
}

// Drier reports whether a sample has a lower relative humidity than was held in
// every hour.
func (r Range) Drier(s Sample) bool { return r.HeldRH > 0 && s.RH > 0 && s.RH < r.HeldRH-outsideRH }

// Drier reports whether every sample of a span up to now was drier than what
// was held, see Range.Drier.
func (tr Trend) Drier(usual Range, span time.Duration) bool {
	if len(tr.Samples) == 0 {
		return false
	}
	last := tr.Samples[len(tr.Samples)-1].Time
	recent := tr.since(last.Add(-span))
	return last.Sub(tr.Samples[0].Time) >= span && !slices.ContainsFunc(recent, func(s Sample) bool { return !usual.Drier(s) })
}

// End is the warm end of the range for a positive sign, else the cold one.
func (r Range) End(sign float64) float64 {
	if sign > 0 {
		return r.HighC
	}
	return r.LowC
}

// Leaving reports whether a temperature that changes is outside of where the
// room goes every day, on the side it is changing to.
func (r Range) Leaving(temperatureC, perHour float64) bool {
	if perHour > 0 {
		return temperatureC > r.HighC
	}
	return temperatureC < r.LowC
}
