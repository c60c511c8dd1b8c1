package harm

import (
	"errors"
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

// Validate reports a line that cannot be used.
func (l Line) Validate() error {
	for _, x := range []float64{l.CTMaxC, l.ZC, l.BoundaryC} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
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

// Minutes is the time to failure at a constant temperature in °C, infinite
// below the boundary.
func (l Line) Minutes(temperatureC float64) float64 { return 1 / l.PerMinute(temperatureC) }

// Ramp is the injury that builds up while the temperature moves in a straight
// line between two values in °C within span, in closed form,
//
//	(z / (r ln10)) (10^((T-CTmax)/z) - 10^((T0-CTmax)/z)),  r = dT/dt
//
// taken only over the part of the way above the boundary. A negative span or
// a temperature that is no number gives an error.
func (l Line) Ramp(fromC, toC float64, span time.Duration) (float64, error) {
	if math.IsNaN(fromC+toC) || math.IsInf(fromC, 0) || math.IsInf(toC, 0) || span < 0 {
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
	// Injury after t minutes is rate (exp(growth t) - 1) / growth.
	if math.Abs(growth)*wanted < 1e-9*rate {
		return wait + wanted/rate
	}
	arg := growth * wanted / rate
	if arg <= -1 {
		return math.Inf(1)
	}
	t := math.Log1p(arg) / growth
	if perMinuteC < 0 && temperatureC+perMinuteC*t < l.BoundaryC {
		return math.Inf(1)
	}
	return wait + t
}

// FailureC is the temperature in °C at which failure comes when warming from
// one temperature at a rate in °C per minute: the dynamic CTmax.
func (l Line) FailureC(fromC, perMinuteC float64) (float64, error) {
	if !(perMinuteC > 0) || math.IsInf(perMinuteC, 0) || math.IsNaN(fromC) || math.IsInf(fromC, 0) {
		return 0, fmt.Errorf("warming from %v °C at %v °C per minute: the rate must be above zero", fromC, perMinuteC)
	}
	return fromC + perMinuteC*l.MinutesLeft(0, fromC, perMinuteC), nil
}

// ErrNoLine is returned for points through which no such line goes.
var ErrNoLine = errors.New("no thermal-death-time line fits")

// FitLine fits a line to times to failure in minutes at constant temperatures
// in °C, by least squares of log10 of time on temperature, and returns it with
// the share of variance explained. The boundary is left to the caller and set
// to the lowest temperature given.
func FitLine(temperaturesC, minutes []float64) (l Line, r2 float64, err error) {
	n := float64(len(temperaturesC))
	if len(temperaturesC) != len(minutes) || n < 2 {
		return Line{}, 0, fmt.Errorf("%w: %d temperatures and %d times", ErrNoLine, len(temperaturesC), len(minutes))
	}
	var sx, sy float64
	lowest := math.Inf(1)
	for i, t := range temperaturesC {
		if !(minutes[i] > 0) || math.IsInf(minutes[i], 0) || math.IsNaN(t) || math.IsInf(t, 0) {
			return Line{}, 0, fmt.Errorf("%w: %v min at %v °C", ErrNoLine, minutes[i], t)
		}
		sx, sy = sx+t, sy+math.Log10(minutes[i])
		lowest = min(lowest, t)
	}
	var sxx, sxy, syy float64
	for i, t := range temperaturesC {
		dx, dy := t-sx/n, math.Log10(minutes[i])-sy/n
		sxx, sxy, syy = sxx+dx*dx, sxy+dx*dy, syy+dy*dy
	}
	slope := sxy / sxx
	if !(slope < 0) {
		return Line{}, 0, fmt.Errorf("%w: time to failure does not fall with temperature", ErrNoLine)
	}
	l = Line{ZC: -1 / slope, CTMaxC: sx/n - sy/n/slope, BoundaryC: lowest}
	return l, sxy * sxy / (sxx * syy), nil
}
