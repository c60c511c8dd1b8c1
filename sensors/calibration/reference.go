package calibration

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"rearguard/sensors"
)

// ReferenceKind is what a sensor on the bench is compared with.
type ReferenceKind string

// The kinds of a Reference.
const (
	ReferenceSalt       ReferenceKind = "salt"
	ReferenceIce        ReferenceKind = "ice"
	ReferenceInstrument ReferenceKind = "instrument"
)

// Reference is what a sensor on the bench is compared with.
type Reference struct {
	Kind ReferenceKind `json:"kind"`
	// Salt and the temperature of its vessel in °C, known to within
	// CelsiusError.
	Salt         Salt    `json:"salt,omitempty"`
	Celsius      float64 `json:"celsius,omitempty"`
	CelsiusError float64 `json:"celsius_error,omitempty"`
	// Value is what the instrument shows, in the quantity's unit, and Expanded
	// the uncertainty (k = 2) of its certificate.
	Instrument Instrument `json:"instrument,omitzero"`
	Value      float64    `json:"value,omitempty"`
	Expanded   float64    `json:"expanded_uncertainty,omitempty"`
}

// point makes a point of a settled measurement beside the reference.
func (r Reference) point(q sensors.Quantity, m Measurement) (Point, error) {
	none := Point{}
	switch r.Kind {
	case ReferenceSalt:
		if q != sensors.RelativeHumidity {
			return none, fmt.Errorf("a salt is a reference for humidity, not for %s", q)
		}
		return SaltPoint(r.Salt, r.Celsius, r.CelsiusError, m)
	case ReferenceIce:
		if q != sensors.Temperature {
			return none, fmt.Errorf("the ice point is a reference for temperature, not for %s", q)
		}
		return IcePoint(m), nil
	case ReferenceInstrument:
		switch {
		case strings.TrimSpace(r.Instrument.Name) == "":
			return none, errors.New("name the reference instrument")
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			return none, errors.New("say what the reference shows")
		case !(r.Expanded > 0) || math.IsInf(r.Expanded, 0):
			return none, errors.New("say the uncertainty (k = 2) of the reference, from its certificate; it is not zero")
		case q == sensors.RelativeHumidity && (r.Value < 0 || r.Value > 100):
			return none, fmt.Errorf("a relative humidity of %g %% is impossible", r.Value)
		}
		return ReferencePoint(r.Instrument.Name, r.Value, r.Expanded, m), nil
	}
	return none, fmt.Errorf("unknown kind of reference %q (want salt, ice or instrument)", r.Kind)
}
