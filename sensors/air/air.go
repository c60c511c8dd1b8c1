package air

import "math"

// Air is the state of moist air with everything that follows from it.
type Air struct {
	TemperatureC float64
	// RelativeHumidityPercent is over liquid water at every temperature.
	RelativeHumidityPercent float64
	PressurePa              float64
	// SaturationVaporPressurePa is over liquid water.
	SaturationVaporPressurePa float64
	VaporPressurePa           float64
	VaporPressureDeficitPa    float64
	// DewPointC is NaN where HasDewPoint is false.
	DewPointC float64
	// FrostPointC is NaN where HasFrostPoint is false.
	FrostPointC float64
	WetBulbC    float64
	// HumidityRatioKgKg is kilograms of vapour per kilogram of dry air.
	HumidityRatioKgKg float64
	// SpecificHumidityKgKg is kilograms of vapour per kilogram of moist air.
	SpecificHumidityKgKg float64
	AbsoluteHumidityGM3  float64
}

// HasDewPoint is false for air too dry to have a dew point above -100 °C.
func (a Air) HasDewPoint() bool { return !math.IsNaN(a.DewPointC) }

// HasFrostPoint is false for air too dry to have a frost point above -100 °C,
// and for air from which dew, not frost, forms.
func (a Air) HasFrostPoint() bool { return !math.IsNaN(a.FrostPointC) }

// Derive returns everything that follows from a temperature in °C (-20 to
// 60), a relative humidity in percent (0 to 100) and a pressure in pascals
// (22000 to 120000; StandardPressurePa or PressureAtAltitude where it is not
// measured). Other input is a *RangeError.
func Derive(temperatureC, relativeHumidityPercent, pressurePa float64) (Air, error) {
	if err := checkAir(temperatureC, relativeHumidityPercent); err != nil {
		return Air{}, err
	}
	if err := checkPressure(pressurePa); err != nil {
		return Air{}, err
	}
	saturation, _ := overWater(temperatureC)
	vapor := saturation * relativeHumidityPercent / 100
	w := humidityRatio(vapor, pressurePa)
	a := Air{
		TemperatureC:              temperatureC,
		RelativeHumidityPercent:   relativeHumidityPercent,
		PressurePa:                pressurePa,
		SaturationVaporPressurePa: saturation,
		VaporPressurePa:           vapor,
		VaporPressureDeficitPa:    saturation * (1 - relativeHumidityPercent/100),
		WetBulbC:                  wetBulb(temperatureC, w, pressurePa),
		HumidityRatioKgKg:         w,
		SpecificHumidityKgKg:      w / (1 + w),
		AbsoluteHumidityGM3:       absoluteHumidity(temperatureC, vapor),
	}
	// Both errors mean that there is no such point, which NaN says.
	var err error
	if a.DewPointC, err = dewPoint(temperatureC, vapor); err != nil {
		a.DewPointC = math.NaN()
	}
	if a.FrostPointC, err = frostPoint(temperatureC, vapor); err != nil {
		a.FrostPointC = math.NaN()
	}
	return a, nil
}
