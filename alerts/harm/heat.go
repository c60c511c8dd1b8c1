package harm

import (
	"fmt"
	"math"
	"time"
)

// Line is a thermal-death-time line: the time to failure falls by a factor of
// ten for every z degrees of warming,
//
//	log10(minutes) = (CTmax - T) / z
//
// with CTmax the temperature of failure after one minute (Rezende, Castañeda
// & Santos 2014, Functional Ecology 28:799). Injury adds up over time and is
// complete at 1 (Jørgensen et al. 2021, Scientific Reports 11:12840).
type Line struct {
	// CTMaxC is the temperature in °C at which failure takes one minute.
	CTMaxC float64 `json:"ct_max_c"`
	// ZC is the warming in °C that makes failure ten times as fast.
	ZC float64 `json:"z_c"`
	// BoundaryC is the temperature in °C below which no injury builds up;
	// the line must not be drawn into the range where animals thrive.
	BoundaryC float64 `json:"boundary_c"`
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Validate reports a line that cannot be used.
func (l Line) Validate() error {
	for _, x := range []float64{l.CTMaxC, l.ZC, l.BoundaryC} {
		if !finite(x) {
			return fmt.Errorf("thermal-death-time line %+v: not a number", l)
		}
	}
	if l.ZC <= 0 {
		return fmt.Errorf("thermal-death-time line: z is %v °C, must be above zero", l.ZC)
	}
	if l.BoundaryC > l.CTMaxC {
		return fmt.Errorf("thermal-death-time line: boundary %v °C is above CTmax %v °C", l.BoundaryC, l.CTMaxC)
	}
	return nil
}

// k is the relative growth of the injury rate per °C.
func (l Line) k() float64 { return math.Ln10 / l.ZC }

// PerMinute is the injury that builds up in a minute at a temperature in °C.
// It is 0 below the boundary, and NaN for a temperature that is no number.
func (l Line) PerMinute(temperatureC float64) float64 {
	if temperatureC < l.BoundaryC {
		return 0
	}
	return math.Exp(l.k() * (temperatureC - l.CTMaxC))
}

// Ramp is the injury that builds up while the temperature moves in a straight
// line between two values in °C within span, in closed form,
//
//	(z / (r ln10)) (10^((T-CTmax)/z) - 10^((T0-CTmax)/z)),  r = dT/dt
//
// taken only over the part of the way above the boundary. A negative span or
// a temperature that is no number gives an error.
func (l Line) Ramp(fromC, toC float64, span time.Duration) (float64, error) {
	if !finite(fromC) || !finite(toC) || span < 0 {
		return 0, fmt.Errorf("heat injury from %v to %v °C in %v: not a way to go", fromC, toC, span)
	}
	low, high := min(fromC, toC), max(fromC, toC)
	if high < l.BoundaryC {
		return 0, nil
	}
	minutes := span.Minutes()
	if low < l.BoundaryC {
		minutes *= (high - l.BoundaryC) / (high - low)
		low = l.BoundaryC
	}
	// The difference of the two powers, written so that it stays exact as
	// the ramp becomes flat.
	x := l.k() * (high - low)
	mean := 1.0
	if x > 0 {
		mean = math.Expm1(x) / x
	}
	return minutes * math.Exp(l.k()*(low-l.CTMaxC)) * mean, nil
}

// MinutesLeft is the time until the injury is complete, for an injury so far
// and a temperature that goes on changing at a rate in °C per minute (0 for
// one that stays). It is infinite if that never happens, 0 if it has.
func (l Line) MinutesLeft(injury, temperatureC, perMinuteC float64) float64 {
	wanted := 1 - injury
	if wanted <= 0 {
		return 0
	}
	wait := 0.0
	if temperatureC < l.BoundaryC {
		if perMinuteC <= 0 {
			return math.Inf(1)
		}
		wait = (l.BoundaryC - temperatureC) / perMinuteC
		temperatureC = l.BoundaryC
	}
	rate := l.PerMinute(temperatureC)
	growth := l.k() * perMinuteC
	// Injury after t minutes is rate (exp(growth t) - 1) / growth, which gives
	// t = log(1 + arg) / growth; written so that it stays exact as the
	// temperature stands still.
	arg := growth * wanted / rate
	if arg <= -1 {
		return math.Inf(1)
	}
	t := wanted / rate
	if arg != 0 {
		t *= math.Log1p(arg) / arg
	}
	if temperatureC+perMinuteC*t < l.BoundaryC {
		return math.Inf(1)
	}
	return wait + t
}
