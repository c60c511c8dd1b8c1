// Package air derives everything that follows from the temperature, relative
// humidity and pressure of air.
//
// Two conventions hold throughout:
//
//   - Vapour is a pure phase. No enhancement factor is applied; near 1000 hPa
//     the vapour pressure of saturated moist air is about 0.5 % above the
//     values here (WMO-No. 8, annex 4.B). Humidity sensors measure a ratio of
//     two vapour pressures, in which the factor cancels.
//   - Relative humidity is over liquid water at every temperature, also below
//     0 °C (WMO-No. 8, chapter 4), which is what sensors report. So air
//     saturated over ice at -10 °C has about 91 %.
//
// Calculation is refused outside -20 to 60 °C and 0 to 100 %, and for NaN and
// infinities, with a [*RangeError].
package air

import "math"

// Limits of what the package accepts.
const (
	LowestTemperatureC  = -20.0
	HighestTemperatureC = 60.0
	// LowestDewPointC is the lowest dew or frost point that is computed; the
	// formulas used hold down to -150 °C, but no room sensor resolves it.
	LowestDewPointC = -100.0
	// TriplePointC is where ice, water and vapour are in equilibrium.
	TriplePointC = 0.01
)

const (
	zeroCelsiusKelvin   = 273.15
	triplePointKelvin   = 273.16
	triplePointPascals  = 611.657
	gasConstantVapor    = 461.523  // J/(kg K): 8.314462618 / 0.018015268
	molarMassRatioVapor = 0.621945 // water to dry air, ASHRAE Fundamentals 2017 ch. 1 eq. 20
)

// SaturationOverWaterPa returns the saturation vapour pressure over liquid
// water (below 0.01 °C over supercooled water) in pascals, for -100 to 60 °C.
//
// From the triple point upwards it is Wagner and Pruss 1993, J. Phys. Chem.
// Ref. Data 22:783 (IAPWS SR1-86(1992)), within 0.01 % of IAPWS-IF97. Below
// it is Murphy and Koop 2005, Q. J. R. Meteorol. Soc. 131:1539, equation 10,
// made for supercooled water and within 1e-7 of the former where they meet.
func SaturationOverWaterPa(temperatureC float64) (float64, error) {
	if err := check("temperature", temperatureC, LowestDewPointC, HighestTemperatureC, "°C"); err != nil {
		return 0, err
	}
	p, _ := overWater(temperatureC)
	return p, nil
}

// overWater returns the saturation pressure in pascals and the derivative of
// its logarithm in 1/K.
func overWater(temperatureC float64) (pascals, slope float64) {
	if temperatureC < TriplePointC {
		return overSupercooledWater(temperatureC)
	}
	const (
		criticalKelvin  = 647.096
		criticalPascals = 22.064e6

		a1, a15, a3 = -7.85951783, 1.84408259, -11.7866497
		a35, a4     = 22.6807411, -15.9618719
		a75         = 1.80122502
	)
	t := temperatureC + zeroCelsiusKelvin
	// Powers of tau as in the name of the coefficient: a15 goes with 1.5.
	tau := 1 - t/criticalKelvin
	root := math.Sqrt(tau)
	tau2 := tau * tau
	tau3 := tau2 * tau
	tau35 := tau3 * root
	tau65 := tau3 * tau35
	sum := a1*tau + a15*tau*root + a3*tau3 + a35*tau35 + a4*tau2*tau2 + a75*tau65*tau
	sumSlope := a1 + 1.5*a15*root + 3*a3*tau2 + 3.5*a35*tau2*root + 4*a4*tau3 + 7.5*a75*tau65
	pascals = criticalPascals * math.Exp(criticalKelvin/t*sum)
	slope = -(sumSlope + criticalKelvin/t*sum) / t
	return pascals, slope
}

func overSupercooledWater(temperatureC float64) (pascals, slope float64) {
	t := temperatureC + zeroCelsiusKelvin
	ln := math.Log(t)
	th := math.Tanh(0.0415 * (t - 218.8))
	high := 53.878 - 1331.22/t - 9.44523*ln + 0.014025*t
	pascals = math.Exp(54.842763 - 6763.22/t - 4.210*ln + 0.000367*t + th*high)
	slope = 6763.22/(t*t) - 4.210/t + 0.000367 +
		th*(1331.22/(t*t)-9.44523/t+0.014025) + 0.0415*(1-th*th)*high
	return pascals, slope
}

// overIce is overWater for ice, up to the triple point.
//
// IAPWS R14-08(2011), sublimation pressure of ordinary water ice.
func overIce(temperatureC float64) (pascals, slope float64) {
	const (
		a1, b1 = -0.212144006e2, 0.333333333e-2
		a2, b2 = 0.273203819e2, 0.120666667e1
		a3, b3 = -0.610598130e1, 0.170333333e1
	)
	theta := (temperatureC + zeroCelsiusKelvin) / triplePointKelvin
	lnTheta := math.Log(theta)
	s1 := a1 * math.Exp((b1-1)*lnTheta)
	s2 := a2 * math.Exp((b2-1)*lnTheta)
	s3 := a3 * math.Exp((b3-1)*lnTheta)
	pascals = triplePointPascals * math.Exp(s1+s2+s3)
	slope = ((b1-1)*s1 + (b2-1)*s2 + (b3-1)*s3) / (theta * triplePointKelvin)
	return pascals, slope
}

// temperatureAt inverts a saturation curve by Newton's method on the
// logarithm, which is nearly straight in 1/T and so needs three or four
// steps. guessC must be within a hundred kelvin of the answer.
func temperatureAt(curve func(float64) (float64, float64), pascals, guessC float64) float64 {
	want := math.Log(pascals)
	// Steps are taken in -1/T, where the logarithm is straight.
	t := guessC + zeroCelsiusKelvin
	for range 12 {
		p, slope := curve(t - zeroCelsiusKelvin)
		step := (want - math.Log(p)) / (slope * t * t)
		next := 1 / (1/t - step)
		done := math.Abs(next-t) < 1e-10
		t = next
		if done {
			break
		}
	}
	return t - zeroCelsiusKelvin
}
