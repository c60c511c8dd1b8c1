package payload

import (
	"fmt"
	"math"
	"strings"

	"rearguard/sensors"
)

// unit is a way in which sensors report a quantity. The zero value is the
// quantity's own unit.
type unit uint8

const (
	own unit = iota
	fahrenheit
	kelvin
	ratio
	// unsupported is a unit that a device has stated and nobody can convert.
	unsupported
)

// Units lists the unit names to offer for q, the quantity's own unit first.
// Spellings such as "degF" or "celsius" are accepted too.
func Units(q sensors.Quantity) []string {
	switch q {
	case sensors.Temperature:
		return []string{"°C", "°F", "K"}
	case sensors.RelativeHumidity, sensors.Battery:
		return []string{"%", "ratio"}
	case sensors.SignalStrength:
		return []string{"dBm"}
	}
	return nil
}

// parseUnit finds the unit of q called name. It knows the symbols of the
// SenML registry (RFC 8428 section 12.1) beside the customary spellings.
func parseUnit(q sensors.Quantity, name string) (unit, bool) {
	name = strings.ToLower(strings.TrimSpace(name))
	switch q {
	case sensors.Temperature:
		switch name {
		case "°c", "℃", "c", "degc", "deg c", "cel", "celsius":
			return own, true
		case "°f", "℉", "f", "degf", "deg f", "fahrenheit":
			return fahrenheit, true
		case "k", "kelvin":
			return kelvin, true
		}
	case sensors.RelativeHumidity, sensors.Battery:
		switch name {
		case "%", "percent":
			return own, true
		case "%rh":
			return own, q == sensors.RelativeHumidity
		case "%el":
			return own, q == sensors.Battery
		case "ratio", "1", "/":
			return ratio, true
		}
	case sensors.SignalStrength:
		return own, name == "dbm"
	}
	return own, false
}

// Meaningful bounds what an instrument can mean by a value of q, in the unit of
// q. It is far wider than what a sensor measures or a room can be: a value
// taken in a wrong unit, or the 85 °C and -127 °C of a loose one-wire sensor,
// is still kept and flagged. Beyond it are error codes (9999, 6553.5) and
// damaged numbers, with which nothing should be reckoned. Common practice, no
// published source, but for absolute zero.
func Meaningful(q sensors.Quantity) (least, most float64) {
	switch q {
	case sensors.Temperature:
		return -273.15, 1000
	case sensors.RelativeHumidity:
		return -100, 1000
	case sensors.Battery:
		return -100, 10_000 // millivolts sent as percent
	case sensors.SignalStrength:
		return -1000, 1000
	}
	return math.Inf(-1), math.Inf(1)
}

// measure converts raw, in the unit of f, into a measurement.
func (f *field) measure(raw float64, u unit) (Measurement, *Error) {
	v := raw
	switch u {
	case fahrenheit:
		v = (raw - 32) * 5 / 9
	case kelvin:
		if raw < 0 {
			return Measurement{}, f.fault(BadUnit, fmt.Sprintf("%g K is below absolute zero; is the unit right?", raw))
		}
		v = raw - 273.15
	case ratio:
		v = raw * 100
	case unsupported:
		return Measurement{}, f.fault(BadUnit, "the device states a unit that cannot be converted")
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Measurement{}, f.fault(NotANumber, "not a finite number")
	}
	if least, most := Meaningful(f.quantity); v < least || v > most {
		return Measurement{}, f.fault(Impossible,
			fmt.Sprintf("%g %s is no %s that an instrument can mean (%g to %g); is it an error code, or the unit wrong?", v, f.quantity.Unit(), f.quantity, least, most))
	}
	return Measurement{Quantity: f.quantity, Value: v}, nil
}

func (f *field) fault(kind Kind, reason string) *Error {
	return &Error{Kind: kind, Quantity: f.quantity, At: f.at, Reason: reason}
}
