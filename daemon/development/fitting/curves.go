package fitting

import (
	"fmt"
	"math"
	"slices"

	"rearguard/daemon/development"
)

// Curve is a nonlinear rate model fitted by least squares of the rate 1/D.
type Curve struct {
	Model development.Model
	// Parameters are in the order of the model's; optional ones keep their
	// defaults.
	Parameters []float64
	// SE are the standard errors in the same order, 0 for optional
	// parameters. NaN says that the data do not determine a parameter.
	SE []float64
	// Rate is the fitted model.
	Rate *development.Nonlinear
	// ResidualSquares is the sum of squared residuals of the rate.
	ResidualSquares float64
	// AICc is Akaike's information criterion with the correction for small
	// samples (Hurvich and Tsai 1989, Biometrika 76:297), to compare models
	// on the same durations: lower is better. It is +Inf where there are too
	// few durations for the number of parameters.
	AICc float64
	// N is the number of durations, Free that of the fitted parameters.
	N, Free int
}

// Determined reports whether the durations determine every parameter. Where
// they do not, for want of temperatures hot or cold enough, the curve describes
// the durations but says nothing about temperatures outside theirs.
func (c Curve) Determined() bool {
	return !slices.ContainsFunc(c.SE, math.IsNaN)
}

// Fit fits a nonlinear model, from start if it is given and otherwise from the
// best of many starting points made from the data. There must be more
// durations than parameters, at as many temperatures as parameters.
//
// Least squares of a few durations can have several minima; the one returned
// is the lowest that was found.
func Fit(model development.Model, observations []Observation, start []float64) (Curve, error) {
	curve, err := fit(model, observations, start)
	if err != nil {
		return Curve{}, fmt.Errorf("fit of %s: %w", model.Name, err)
	}
	return curve, nil
}

// startsTried is how many of the best starting points are followed.
const startsTried = 12

func fit(model development.Model, observations []Observation, start []float64) (Curve, error) {
	free := 0
	for _, p := range model.Parameters {
		if !p.Optional {
			free++
		}
	}
	if err := check(observations, free); err != nil {
		return Curve{}, err
	}
	if len(observations) <= free {
		return Curve{}, fmt.Errorf("%d durations cannot determine %d parameters and their errors", len(observations), free)
	}
	problem := leastSquares{model: model, observations: observations, free: free}
	starts := [][]float64{start}
	if start == nil {
		starts = problem.starts()
	} else if len(start) != free && len(start) != len(model.Parameters) {
		return Curve{}, fmt.Errorf("starting point has %d values, want %d", len(start), free)
	}
	slices.SortStableFunc(starts, func(a, b []float64) int {
		x, y := problem.squares(a[:free]), problem.squares(b[:free])
		switch {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	var best *Curve
	var failure error
	for _, s := range starts[:min(startsTried, len(starts))] {
		solution, err := problem.solve(s[:free])
		var curve Curve
		if err == nil {
			curve, err = problem.curve(solution)
		}
		switch {
		case err != nil && failure == nil:
			failure = err // starts mostly fail alike
		case err == nil && (best == nil || curve.ResidualSquares < best.ResidualSquares):
			best = &curve
		}
	}
	if best == nil {
		return Curve{}, failure
	}
	return *best, nil
}

// curve describes a solution.
func (l leastSquares) curve(parameters []float64) (Curve, error) {
	full := l.full(parameters)
	rate, err := development.NewNonlinear(l.model, full)
	if err != nil {
		return Curve{}, err
	}
	c := Curve{
		Model: l.model, Parameters: full, Rate: rate, ResidualSquares: l.squares(parameters),
		N: len(l.observations), Free: l.free,
	}
	c.SE = append(l.standardErrors(parameters), make([]float64, len(full)-l.free)...)
	n, k := float64(c.N), float64(c.Free+1) // the residual variance is a parameter too
	c.AICc = math.Inf(1)
	if n-k-1 > 0 {
		c.AICc = n*math.Log(c.ResidualSquares/n) + 2*k + 2*k*(k+1)/(n-k-1)
	}
	return c, nil
}
