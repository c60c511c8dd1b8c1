package development

import (
	"fmt"
	"math"
)

// Cutoff is what happens to development above the upper threshold (Zalom,
// Goodell, Wilson, Barnett and Bentley 1983, UC Leaflet 21373). The zero value
// is Horizontal.
type Cutoff uint8

// The cut-off rules.
const (
	// Horizontal development goes on at the rate of the upper threshold.
	Horizontal Cutoff = iota
	// Vertical development stops.
	Vertical
	// Intermediate development slows by as much as the temperature exceeds
	// the upper threshold.
	Intermediate
)

var cutoffNames = [...]string{"horizontal", "vertical", "intermediate"}

// String returns the name used in configuration and on the command line.
func (c Cutoff) String() string {
	if int(c) < len(cutoffNames) {
		return cutoffNames[c]
	}
	return fmt.Sprintf("cutoff %d", uint8(c))
}

// ParseCutoff is the inverse of Cutoff.String.
func ParseCutoff(name string) (Cutoff, error) {
	for i, n := range cutoffNames {
		if n == name {
			return Cutoff(i), nil
		}
	}
	return 0, fmt.Errorf("unknown cut-off %q (want horizontal, vertical or intermediate)", name)
}

// MarshalText gives what String does.
func (c Cutoff) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads a name as ParseCutoff does, and keeps what was when there
// is no such cut-off.
func (c *Cutoff) UnmarshalText(text []byte) error {
	parsed, err := ParseCutoff(string(text))
	if err != nil {
		return err
	}
	*c = parsed
	return nil
}

// Linear is the degree-day model: development proportional to the excess of
// the temperature over a lower threshold, with a cut-off above an optional
// upper threshold. Make one with NewLinear; the zero value counts every degree
// above 0 °C as nothing.
type Linear struct {
	lowerC, upperC float64
	cutoff         Cutoff
}

// NoUpper is the upper threshold of a model that has none.
var NoUpper = math.Inf(1)

// NewLinear returns the degree-day model with a lower threshold and an upper
// threshold in the same unit as the temperatures (°C everywhere inside
// rearguard). Without an upper threshold (NoUpper) the cut-off has no effect.
func NewLinear(lowerC, upperC float64, cutoff Cutoff) (Linear, error) {
	switch {
	case math.IsNaN(lowerC) || math.IsInf(lowerC, 0):
		return Linear{}, fmt.Errorf("lower threshold is %g, not a finite number", lowerC)
	case math.IsNaN(upperC) || math.IsInf(upperC, -1):
		return Linear{}, fmt.Errorf("upper threshold is %g, not a finite number", upperC)
	case upperC <= lowerC:
		return Linear{}, fmt.Errorf("upper threshold %g is not above the lower threshold %g", upperC, lowerC)
	case int(cutoff) >= len(cutoffNames):
		return Linear{}, fmt.Errorf("unknown %v", cutoff)
	}
	return Linear{lowerC: lowerC, upperC: upperC, cutoff: cutoff}, nil
}

// LowerC returns the lower threshold.
func (l Linear) LowerC() float64 { return l.lowerC }

// UpperC returns the upper threshold, NoUpper if there is none.
func (l Linear) UpperC() float64 { return l.upperC }

// Cutoff returns the rule above the upper threshold.
func (l Linear) Cutoff() Cutoff { return l.cutoff }

// Unit returns "degree-days", of 1 °C above the lower threshold for a day.
func (l Linear) Unit() string { return "degree-days" }

// PerDay returns the degree-days of a day at one temperature, never below 0,
// and 0 for a temperature that is not a number.
func (l Linear) PerDay(temperatureC float64) float64 {
	switch {
	case !(temperatureC > l.lowerC):
		return 0
	case temperatureC <= l.upperC:
		return temperatureC - l.lowerC
	}
	switch l.cutoff {
	case Vertical:
		return 0
	case Intermediate:
		return math.Max(0, 2*l.upperC-l.lowerC-temperatureC)
	default:
		return l.upperC - l.lowerC
	}
}

// Along returns the degree-days of a straight line of temperature. It is spread
// evenly between its ends, so the exact integral follows from the mean excess
// over each threshold. The published daily forms of the intermediate cut-off
// let development run backwards while the temperature exceeds the upper
// threshold by more than the span of the two thresholds; here the rate stays at
// zero.
func (l Linear) Along(fromC, toC, days float64) float64 {
	low, high := math.Min(fromC, toC), math.Max(fromC, toC)
	switch {
	// Written so that NaN yields 0, as a jump to infinity does.
	case !(high > l.lowerC) || !(days > 0) || math.IsInf(high, 1):
		return 0
	case low >= l.lowerC && high <= l.upperC:
		return ((low+high)/2 - l.lowerC) * days
	}
	dd := l.above(triangleAbove, low, high)
	if l.cutoff == Intermediate {
		beyond, _ := triangleAbove(low, high, 2*l.upperC-l.lowerC)
		dd += beyond
	}
	return math.Max(0, dd) * days
}

// above returns the degree-days of a day from the mean excess over, and the
// share of the day above, each threshold, which shape gives for a day between
// two extremes.
func (l Linear) above(shape func(low, high, threshold float64) (excess, share float64), low, high float64) float64 {
	lower, _ := shape(low, high, l.lowerC)
	if high <= l.upperC {
		return lower
	}
	upper, share := shape(low, high, l.upperC)
	switch l.cutoff {
	case Vertical:
		return lower - upper - (l.upperC-l.lowerC)*share
	case Intermediate:
		return lower - 2*upper
	default:
		return lower - upper
	}
}

// triangleAbove returns the mean excess over a threshold, and the share of
// time above it, of a temperature that moves evenly between low and high.
func triangleAbove(low, high, threshold float64) (excess, share float64) {
	switch {
	case high <= threshold:
		return 0, 0
	case low >= threshold:
		// The mean of the excesses, so that the sum cannot cancel.
		return ((high - threshold) + (low - threshold)) / 2, 1
	}
	share = (high - threshold) / (high - low)
	return (high - threshold) / 2 * share, share
}

// sineAbove is triangleAbove for a temperature that follows a sine.
func sineAbove(low, high, threshold float64) (excess, share float64) {
	switch {
	case high <= threshold:
		return 0, 0
	case low >= threshold:
		return ((high - threshold) + (low - threshold)) / 2, 1
	}
	mean, amplitude := (low+high)/2, (high-low)/2
	theta := math.Asin(math.Max(-1, math.Min(1, (threshold-mean)/amplitude)))
	excess = ((mean-threshold)*(math.Pi/2-theta) + amplitude*math.Cos(theta)) / math.Pi
	return math.Max(0, excess), (math.Pi/2 - theta) / math.Pi
}
