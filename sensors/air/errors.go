package air

import (
	"errors"
	"fmt"
	"math"
)

// ErrTooDry is returned where air holds so little vapour that its dew or
// frost point lies below LowestDewPointC, as at 0 % relative humidity.
var ErrTooDry = fmt.Errorf("air holds too little vapour for a dew point above %g °C", LowestDewPointC)

// errNoFrost is returned where air holds so much vapour that dew, not frost,
// forms when it is cooled.
var errNoFrost = errors.New("the dew point is above freezing, so no frost forms")

// RangeError says which input cannot be used and what would have been right.
type RangeError struct {
	// Quantity names the input, for example "temperature".
	Quantity string
	// Value is what was given; it may be NaN or infinite.
	Value float64
	// Low and High are the inclusive limits, in Unit.
	Low, High float64
	Unit      string
}

// Error names the input and its limits.
func (e *RangeError) Error() string {
	if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
		return fmt.Sprintf("%s is not a finite number (want %g to %g %s)", e.Quantity, e.Low, e.High, e.Unit)
	}
	return fmt.Sprintf("%s %g %s is outside %g to %g %s", e.Quantity, e.Value, e.Unit, e.Low, e.High, e.Unit)
}

func check(quantity string, value, low, high float64, unit string) error {
	// Written so that NaN fails.
	if value >= low && value <= high {
		return nil
	}
	return &RangeError{Quantity: quantity, Value: value, Low: low, High: high, Unit: unit}
}

func checkAir(temperatureC, relativeHumidityPercent float64) error {
	if err := check("temperature", temperatureC, LowestTemperatureC, HighestTemperatureC, "°C"); err != nil {
		return err
	}
	return check("relative humidity", relativeHumidityPercent, 0, 100, "%")
}
