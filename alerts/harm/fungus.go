package harm

import (
	"fmt"
	"math"
)

// The window in which spores of Beauveria bassiana germinate: 15 to 35 °C at
// saturation, at 25 °C within 20 h at 95.5 % relative humidity and within
// 72 h at 90 % (Luz & Fargues 1997, Mycopathologia 138:117). It stands here
// for the fungi of insects as a class.
const (
	fungusFromC = 15.0
	fungusToC   = 35.0

	lowPercent, lowHours   = 90.0, 72.0
	highPercent, highHours = 95.5, 20.0
)

// GerminationHours is how long spores take to germinate on an insect at a
// temperature in °C and a relative humidity in percent; infinite outside the
// window. Between the two published humidities the logarithm of the time is
// taken as a straight line, above the higher one the time stays as it is there
// (both are assumptions), and the time is the same over the whole range of
// temperature, which errs towards warning early.
func GerminationHours(temperatureC, relativeHumidityPercent float64) (float64, error) {
	if !finite(temperatureC) || !(relativeHumidityPercent >= 0 && relativeHumidityPercent <= 100) {
		return 0, fmt.Errorf("germination at %v °C and %v %%: not air", temperatureC, relativeHumidityPercent)
	}
	if temperatureC < fungusFromC || temperatureC > fungusToC || relativeHumidityPercent < lowPercent {
		return math.Inf(1), nil
	}
	share := (min(relativeHumidityPercent, highPercent) - lowPercent) / (highPercent - lowPercent)
	return lowHours * math.Pow(highHours/lowHours, share), nil
}
