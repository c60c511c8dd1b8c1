package air

import "math"

// bulb holds the constants of the wet-bulb balance of one phase:
//
//	W = ((latent - latentSlope t*) Ws(t*) - 1.006 (t - t*)) / (latent + 1.86 t - heat t*)
type bulb struct {
	saturation                func(float64) (float64, float64)
	latent, latentSlope, heat float64
}

// ratio returns the humidity ratio of air at temperatureC whose wet bulb
// reads wetC, and its derivative with wetC.
func (b bulb) ratio(temperatureC, wetC, pressurePa float64) (w, slope float64) {
	e, lnSlope := b.saturation(wetC)
	ws := humidityRatio(e, pressurePa)
	wsSlope := ws * lnSlope * pressurePa / (pressurePa - e)
	n := (b.latent-b.latentSlope*wetC)*ws - 1.006*(temperatureC-wetC)
	d := b.latent + 1.86*temperatureC - b.heat*wetC
	nSlope := -b.latentSlope*ws + (b.latent-b.latentSlope*wetC)*wsSlope + 1.006
	return n / d, (nSlope*d + n*b.heat) / (d * d)
}

// wetBulb is the thermodynamic wet-bulb temperature in °C: what a
// ventilated thermometer in a wet sleeve settles to. Below 0.01 °C the bulb is
// covered with ice. The balance of heat and vapour is that of ASHRAE
// Fundamentals 2017 chapter 1 equations 33 (water) and 35 (ice), iterated
// until the result stands still to 1e-9 K.
//
// A bulb just above freezing can be wet or iced, at two different
// temperatures; it counts as wet as long as a wet one stays at 0.01 °C or
// more. So the result steps down there, by half a kelvin at sea level. In air below
// freezing that is supersaturated over ice, the iced bulb is warmer than the
// air.
func wetBulb(temperatureC, w, pressurePa float64) float64 {
	water := bulb{overWater, 2501, 2.326, 4.186}
	ice := bulb{overIce, 2830, 0.24, 2.1}
	if temperatureC >= TriplePointC {
		if melting, _ := water.ratio(temperatureC, TriplePointC, pressurePa); melting <= w {
			return water.solve(temperatureC, w, pressurePa, TriplePointC, temperatureC)
		}
	}
	// At -60 °C the balance is below zero vapour at every accepted input.
	return ice.solve(temperatureC, w, pressurePa, -60, TriplePointC)
}

// solve finds the wet bulb between lowC and highC, where ratio rises through
// w, by Newton's method kept inside the bracket.
func (b bulb) solve(temperatureC, w, pressurePa, lowC, highC float64) float64 {
	t := (lowC + highC) / 2
	for range 60 {
		got, slope := b.ratio(temperatureC, t, pressurePa)
		if got < w {
			lowC = t
		} else {
			highC = t
		}
		next := t - (got-w)/slope
		if !(next >= lowC && next <= highC) {
			next = (lowC + highC) / 2
		}
		if math.Abs(next-t) < 1e-9 {
			return next
		}
		t = next
	}
	return t
}
