package calibration

import (
	"fmt"
	"math"

	"rearguard/sensors"
)

// Point is one comparison of a sensor with a reference.
type Point struct {
	// Reference says with what, for example "NaCl at 24.6 °C".
	Reference string `json:"reference"`
	// True is the value of the reference, Uncertainty its standard uncertainty,
	// both in the quantity's unit.
	True        float64 `json:"true"`
	Uncertainty float64 `json:"standard_uncertainty"`
	// Reading is what the sensor showed, raw.
	Reading Measurement `json:"reading"`
	// Source names where True comes from.
	Source string `json:"source,omitempty"`
}

// SaltPoint returns the point of a sensor above a salt at the temperature of
// the closed vessel in °C, known to within celsiusError (plus or minus).
//
// Both the published plus or minus and that of the temperature are taken as
// limits of a uniform distribution (JCGM 100:2008 4.3.7, from memory).
func SaltPoint(salt Salt, celsius, celsiusError float64, reading Measurement) (Point, error) {
	if !finite(celsius, celsiusError) || celsiusError < 0 {
		return Point{}, fmt.Errorf("temperature of the salt %g ± %g °C: %w", celsius, celsiusError, ErrNotNumber)
	}
	fixed, err := salt.FixedPoint(celsius)
	if err != nil {
		return Point{}, err
	}
	return Point{
		Reference:   fmt.Sprintf("%s at %.1f °C", salt, celsius),
		True:        fixed.RelativeHumidity,
		Uncertainty: math.Hypot(fixed.Uncertainty, fixed.PerCelsius*celsiusError) / math.Sqrt(3),
		Reading:     reading,
		Source:      fixed.Source,
	}, nil
}

// iceUncertainty of crushed ice from clean water, well packed and drained, as
// limits in °C; common practice, no published source.
const iceUncertainty = 0.05

// IcePoint returns the point of a sensor in melting ice (0 °C).
func IcePoint(reading Measurement) Point {
	return Point{
		Reference: "ice point", True: 0, Uncertainty: iceUncertainty / math.Sqrt(3), Reading: reading,
		Source: "melting ice is 0 °C; its uncertainty is common practice, no published source",
	}
}

// ReferencePoint returns the point of a sensor beside a reference instrument
// that showed value, with the expanded uncertainty (k = 2) of its certificate.
func ReferencePoint(name string, value, expanded float64, reading Measurement) Point {
	return Point{Reference: name, True: value, Uncertainty: expanded / 2, Reading: reading, Source: "certificate of " + name}
}

// Result is a line through the points with what is known of its error.
type Result struct {
	Quantity sensors.Quantity `json:"quantity"`
	Gain     float64          `json:"gain"`
	Offset   float64          `json:"offset"`
	// GainUncertainty and OffsetUncertainty are standard uncertainties. They
	// are correlated; use UncertaintyAt for values.
	GainUncertainty   float64 `json:"gain_standard_uncertainty"`
	OffsetUncertainty float64 `json:"offset_standard_uncertainty"`
	Points            []Point `json:"points"`
}

// minApart is the least difference of the two references of a humidity
// calibration in percent; common practice, no published source.
const minApart = 20.0

// TwoPoint returns the line through two humidity points; their order does not
// matter. It refuses readings that have not settled, points closer than 20 %,
// readings in the order opposite to the references, and corrections that no
// sound sensor needs.
func TwoPoint(a, b Point) (Result, error) {
	if a.True > b.True {
		a, b = b, a
	}
	for _, p := range []Point{a, b} {
		if err := p.check(); err != nil {
			return Result{}, fmt.Errorf("two-point calibration: %w", err)
		}
	}
	x1, x2 := a.Reading.Mean, b.Reading.Mean
	switch {
	case b.True-a.True < minApart:
		return Result{}, fmt.Errorf("two-point calibration: %s and %s are %.1f %% apart, need %g %%: %w",
			a.Reference, b.Reference, b.True-a.True, minApart, ErrTooClose)
	case x2 <= x1:
		return Result{}, fmt.Errorf("two-point calibration: read %.1f %% over %s and %.1f %% over %s: are the salts exchanged? %w",
			x1, a.Reference, x2, b.Reference, ErrOrder)
	}
	gain := (b.True - a.True) / (x2 - x1)
	if err := checkGain(gain); err != nil {
		return Result{}, fmt.Errorf("two-point calibration: %w", err)
	}
	for _, p := range []Point{a, b} {
		if shift := p.True - p.Reading.Mean; math.Abs(shift) > MaxHumidityShift {
			return Result{}, fmt.Errorf("two-point calibration: %.1f %% off over %s: %w", shift, p.Reference, ErrTooLarge)
		}
	}
	r := Result{
		Quantity: sensors.RelativeHumidity, Gain: gain, Offset: a.True - gain*x1, Points: []Point{a, b},
	}
	r.GainUncertainty = math.Hypot(a.total(gain), b.total(gain)) / (x2 - x1)
	r.OffsetUncertainty = r.standardAt(0)
	return r, nil
}

// OnePoint returns the shift that makes a temperature reading agree with its
// reference; the gain stays 1. It refuses a reading that has not settled and a
// shift of more than 3 °C.
func OnePoint(p Point) (Result, error) {
	if err := p.check(); err != nil {
		return Result{}, fmt.Errorf("one-point calibration: %w", err)
	}
	shift := p.True - p.Reading.Mean
	if math.Abs(shift) > MaxTemperatureShift {
		return Result{}, fmt.Errorf("one-point calibration: %.2f °C off at %s: %w", shift, p.Reference, ErrTooLarge)
	}
	r := Result{Quantity: sensors.Temperature, Gain: 1, Offset: shift, Points: []Point{p}}
	r.OffsetUncertainty = p.total(1)
	return r, nil
}

func (p Point) check() error {
	switch {
	case !finite(p.True, p.Uncertainty, p.Reading.Mean, p.Reading.StdDev, p.Reading.Resolution) || p.Uncertainty < 0:
		return fmt.Errorf("%s: %w", p.Reference, ErrNotNumber)
	case !p.Reading.Stable:
		return fmt.Errorf("%s: %s: %w", p.Reference, p.Reading.Waiting, ErrUnstable)
	}
	return nil
}

// total is the standard uncertainty of reference and reading together, as seen
// in corrected values.
func (p Point) total(gain float64) float64 {
	return math.Hypot(p.Uncertainty, gain*p.Reading.standardUncertainty())
}

// standardAt propagates the points' uncertainties to a raw value: the
// corrected value is a mean of the points, weighted by distance.
func (r Result) standardAt(raw float64) float64 {
	if len(r.Points) < 2 {
		return r.OffsetUncertainty
	}
	a, b := r.Points[0], r.Points[1]
	w := (raw - a.Reading.Mean) / (b.Reading.Mean - a.Reading.Mean)
	return math.Hypot((1-w)*a.total(r.Gain), w*b.total(r.Gain))
}

// UncertaintyAt returns the expanded uncertainty (k = 2) of the corrected value
// of a raw one, in the quantity's unit. It grows away from the points. What the
// sensor does later (drift, hysteresis) is not in it.
func (r Result) UncertaintyAt(raw float64) float64 { return 2 * r.standardAt(raw) }

// Uncertainty is the largest expanded uncertainty between the points.
func (r Result) Uncertainty() float64 {
	largest := 0.0
	for _, p := range r.Points {
		largest = math.Max(largest, r.UncertaintyAt(p.Reading.Mean))
	}
	return largest
}
