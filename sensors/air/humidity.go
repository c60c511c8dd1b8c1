package air

import "math"

// VaporPressurePa returns the partial pressure of water vapour in pascals.
func VaporPressurePa(temperatureC, relativeHumidityPercent float64) (float64, error) {
	if err := checkAir(temperatureC, relativeHumidityPercent); err != nil {
		return 0, err
	}
	saturation, _ := overWater(temperatureC)
	return saturation * relativeHumidityPercent / 100, nil
}

// VPDkPa returns the vapour pressure deficit in kilopascals: how much vapour
// the air could still take up, and so how hard it dries what stands in it.
func VPDkPa(temperatureC, relativeHumidityPercent float64) (float64, error) {
	if err := checkAir(temperatureC, relativeHumidityPercent); err != nil {
		return 0, err
	}
	saturation, _ := overWater(temperatureC)
	return saturation * (1 - relativeHumidityPercent/100) / 1000, nil
}

// DewPointC returns the temperature in °C at which water starts to condense
// from the air, over liquid water also below 0 °C. It fails with ErrTooDry at
// and near 0 % relative humidity.
func DewPointC(temperatureC, relativeHumidityPercent float64) (float64, error) {
	vapor, err := VaporPressurePa(temperatureC, relativeHumidityPercent)
	if err != nil {
		return 0, err
	}
	return dewPoint(temperatureC, vapor)
}

// dewPoint takes the air temperature because it is a good first guess.
func dewPoint(temperatureC, vaporPa float64) (float64, error) {
	if vaporPa < lowestDewVaporPa {
		return 0, ErrTooDry
	}
	// Rounding may not put the dew point of saturated air above the air.
	return math.Min(temperatureAt(overWater, vaporPa, temperatureC), temperatureC), nil
}

// frostPoint is where ice starts to form from the air. It fails with errNoFrost
// where the dew point is above 0.01 °C.
//
// In air below freezing that is nearly saturated over water, the frost point
// is above the air temperature: such air is supersaturated over ice.
func frostPoint(temperatureC, vaporPa float64) (float64, error) {
	switch {
	case vaporPa > triplePointPascals:
		return 0, errNoFrost
	case vaporPa < lowestFrostVaporPa:
		return 0, ErrTooDry
	}
	return temperatureAt(overIce, vaporPa, math.Min(temperatureC, TriplePointC)), nil
}

// Saturation pressures at LowestDewPointC over water and over ice, a little
// above so that rounding cannot pass below it.
const (
	lowestDewVaporPa   = 3.0538e-3
	lowestFrostVaporPa = 1.40486e-3
)

// RelativeHumidityFromDewPoint returns the relative humidity in percent of
// air at temperatureC whose dew point (over water) is dewPointC, -100 °C or
// more. A dew point above the air temperature is refused.
func RelativeHumidityFromDewPoint(temperatureC, dewPointC float64) (float64, error) {
	if err := check("temperature", temperatureC, LowestTemperatureC, HighestTemperatureC, "°C"); err != nil {
		return 0, err
	}
	if err := check("dew point", dewPointC, LowestDewPointC, temperatureC, "°C"); err != nil {
		return 0, err
	}
	vapor, _ := overWater(dewPointC)
	saturation, _ := overWater(temperatureC)
	return 100 * vapor / saturation, nil
}

// RelativeHumidityFromFrostPoint is RelativeHumidityFromDewPoint for a frost
// point between -100 and 0.01 °C. A frost point that would mean more than
// 100 % is refused.
func RelativeHumidityFromFrostPoint(temperatureC, frostPointC float64) (float64, error) {
	if err := check("temperature", temperatureC, LowestTemperatureC, HighestTemperatureC, "°C"); err != nil {
		return 0, err
	}
	if err := check("frost point", frostPointC, LowestDewPointC, TriplePointC, "°C"); err != nil {
		return 0, err
	}
	vapor, _ := overIce(frostPointC)
	saturation, _ := overWater(temperatureC)
	// Rounding alone must not make saturated air unusable.
	if vapor > saturation*(1+1e-9) {
		highest := temperatureAt(overIce, saturation, math.Min(temperatureC, TriplePointC))
		return 0, &RangeError{"frost point", frostPointC, LowestDewPointC, highest, "°C"}
	}
	return math.Min(100*vapor/saturation, 100), nil
}

// absoluteHumidity is the mass of vapour in a cubic metre of air in grams
// (ideal gas, 461.523 J/(kg K)).
func absoluteHumidity(temperatureC, vaporPa float64) float64 {
	return 1000 * vaporPa / (gasConstantVapor * (temperatureC + zeroCelsiusKelvin))
}

// HumidityRatio returns the kilograms of vapour that go with one kilogram of
// dry air (the mixing ratio): 0.621945 e/(p - e), ASHRAE Fundamentals 2017
// chapter 1 equation 20.
func HumidityRatio(temperatureC, relativeHumidityPercent, pressurePa float64) (float64, error) {
	vapor, err := VaporPressurePa(temperatureC, relativeHumidityPercent)
	if err != nil {
		return 0, err
	}
	if err := checkPressure(pressurePa); err != nil {
		return 0, err
	}
	return humidityRatio(vapor, pressurePa), nil
}

func humidityRatio(vaporPa, pressurePa float64) float64 {
	return molarMassRatioVapor * vaporPa / (pressurePa - vaporPa)
}
