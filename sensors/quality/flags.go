package quality

import (
	"math"

	"rearguard/sensors"
)

// Span is a closed interval in the unit of the quantity. The zero value is no
// span: tests that use it are off.
type Span struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// IsZero reports whether s is no span.
func (s Span) IsZero() bool { return s == Span{} }

// Contains reports whether x lies within s, both ends included.
func (s Span) Contains(x float64) bool { return x >= s.Low && x <= s.High }

// Combine rolls the flags of several tests into the one of the reading.
//
// The worst wins: missing, fail, suspect, not evaluated, pass. Other published
// roll-ups let a pass hide a "not evaluated"; here a reading of which a test
// could not be made stays marked as such, because 2 is usable but not good.
// No flags at all combine to not evaluated.
func Combine(flags ...sensors.Flag) sensors.Flag {
	worst := sensors.Flag(0)
	for _, f := range flags {
		worst = worse(worst, f)
	}
	if worst == 0 {
		return sensors.NotEvaluated
	}
	return worst
}

// worse relies on the numbers of the flags growing with badness; zero means
// that a test took no part.
func worse(a, b sensors.Flag) sensors.Flag {
	if b > a {
		return b
	}
	return a
}

// grossRange is the gross range test: outside the sensor span fails, outside
// the user span is suspect. Source: IOOS QARTOD manuals, test 4.
func grossRange(x float64, sensor, user Span) sensors.Flag {
	switch {
	case math.IsNaN(x):
		return sensors.Missing
	case !sensor.IsZero() && !sensor.Contains(x):
		return sensors.Fail
	case !user.IsZero() && !user.Contains(x):
		return sensors.Suspect
	}
	return sensors.Pass
}

// above grades a test quantity against two limits, strictly. A limit of zero
// or less is off.
func above(x, suspect, fail float64) sensors.Flag {
	switch {
	case fail > 0 && x > fail:
		return sensors.Fail
	case suspect > 0 && x > suspect:
		return sensors.Suspect
	}
	return sensors.Pass
}

// spikeDifferential is the smaller of the two steps around b when they point
// in opposite directions, else zero. Other than the distance from the mean of
// both, it does not blame the neighbours of a spike. Source: IOOS QARTOD
// manuals, test 6.
func spikeDifferential(a, b, c float64) float64 {
	up, down := b-a, c-b
	if up*down >= 0 {
		return 0
	}
	return math.Min(math.Abs(up), math.Abs(down))
}
