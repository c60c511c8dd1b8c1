package air

import "math"

// Limits of pressure and altitude. Even at the lowest pressure, air at 60 °C
// and 100 % is more than its own vapour.
const (
	StandardPressurePa = 101325.0
	LowestPressurePa   = 22000.0
	HighestPressurePa  = 120000.0
	LowestAltitudeM    = -1000.0
	HighestAltitudeM   = 11000.0
)

// PressureAtAltitude returns the pressure in pascals of the standard
// atmosphere at an altitude in metres above sea level, -1000 to 11000.
// Weather moves the true pressure by a few percent around it.
//
// ASHRAE Fundamentals 2017 chapter 1 equation 3.
func PressureAtAltitude(meters float64) (float64, error) {
	if err := check("altitude", meters, LowestAltitudeM, HighestAltitudeM, "m"); err != nil {
		return 0, err
	}
	return StandardPressurePa * math.Pow(1-2.25577e-5*meters, 5.2559), nil
}

func checkPressure(pascals float64) error {
	return check("pressure", pascals, LowestPressurePa, HighestPressurePa, "Pa")
}
