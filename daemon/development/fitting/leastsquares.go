package fitting

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"rearguard/daemon/development"
)

// leastSquares is the fit of a model's free parameters, which come before its
// optional ones, to the rates of durations.
type leastSquares struct {
	model        development.Model
	observations []Observation
	free         int
}

// full appends the defaults of the optional parameters.
func (l leastSquares) full(free []float64) []float64 {
	full := append([]float64(nil), free...)
	for _, p := range l.model.Parameters[l.free:] {
		full = append(full, p.Default)
	}
	return full
}

// residuals are fitted minus observed rates.
func (l leastSquares) residuals(free []float64) []float64 {
	full := l.full(free)
	r := make([]float64, len(l.observations))
	for i, o := range l.observations {
		r[i] = l.model.Evaluate(full, o.TemperatureC) - 1/o.Days
	}
	return r
}

// squares is the sum of squared residuals, +Inf where the model has no value.
func (l leastSquares) squares(free []float64) float64 {
	var sum float64
	for _, r := range l.residuals(free) {
		sum += r * r
	}
	if math.IsNaN(sum) {
		return math.Inf(1)
	}
	return sum
}

// jacobian returns the derivatives of the residuals, with each column scaled
// to length 1, and the lengths. Central differences of five points are exact
// to about 1e-11.
func (l leastSquares) jacobian(free []float64) (*mat.Dense, []float64) {
	j := mat.NewDense(len(l.observations), l.free, nil)
	lengths := make([]float64, l.free)
	at := append([]float64(nil), free...)
	for k := range free {
		h := 1e-4 * math.Max(math.Abs(free[k]), 1e-6)
		shifted := func(steps float64) []float64 {
			at[k] = free[k] + steps*h
			return l.residuals(at)
		}
		a, b, c, d := shifted(-2), shifted(-1), shifted(1), shifted(2)
		at[k] = free[k]
		for i := range a {
			slope := (a[i] - 8*b[i] + 8*c[i] - d[i]) / (12 * h)
			j.Set(i, k, slope)
			lengths[k] = math.Hypot(lengths[k], slope)
		}
		if lengths[k] == 0 {
			lengths[k] = 1
		}
		for i := range a {
			j.Set(i, k, j.At(i, k)/lengths[k])
		}
	}
	return j, lengths
}

// solve follows the method of Levenberg and Marquardt (Marquardt 1963, J. Soc.
// Ind. Appl. Math. 11:431) from start, with the step of each damping found by
// orthogonal factors and not by the normal equations: the parameters of these
// models are nearly collinear.
func (l leastSquares) solve(start []float64) ([]float64, error) {
	const steps = 500
	at := append([]float64(nil), start...)
	now := l.squares(at)
	if math.IsInf(now, 1) {
		return nil, errors.New("the model has no value at the starting point")
	}
	damping := 1e-3
	for range steps {
		j, lengths := l.jacobian(at)
		if !finite(lengths) {
			return nil, errors.New("the range of the model ends at a temperature of the durations")
		}
		residuals := l.residuals(at)
		for {
			step, err := damped(j, residuals, damping)
			next := make([]float64, len(at))
			var relative float64
			for k := range next {
				if err == nil {
					step[k] /= lengths[k]
					next[k] = at[k] + step[k]
					relative = math.Max(relative, math.Abs(step[k])/math.Max(math.Abs(at[k]), 1e-12))
				}
			}
			if err == nil {
				if then := l.squares(next); then <= now {
					settled := relative < 1e-11 || (now-then <= 1e-15*now && relative < 1e-7)
					at, now = next, then
					if settled {
						return at, nil
					}
					damping = math.Max(damping/10, 1e-15)
					break
				}
				if relative < 1e-9 {
					// No better point is within rounding of this one.
					return at, nil
				}
			}
			if damping *= 10; damping > 1e12 {
				return at, nil
			}
		}
	}
	return nil, errors.New("least squares did not settle: the durations do not show the shape of this model")
}

func finite(values []float64) bool {
	return !slices.ContainsFunc(values, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
}

// damped returns the step that minimises |j step + residuals|² + damping |step|².
func damped(j *mat.Dense, residuals []float64, damping float64) ([]float64, error) {
	rows, columns := j.Dims()
	a := mat.NewDense(rows+columns, columns, nil)
	b := mat.NewVecDense(rows+columns, nil)
	for i := range rows {
		for k := range columns {
			a.Set(i, k, j.At(i, k))
		}
		b.SetVec(i, -residuals[i])
	}
	root := math.Sqrt(damping)
	for k := range columns {
		a.Set(rows+k, k, root)
	}
	var qr mat.QR
	qr.Factorize(a)
	var step mat.VecDense
	if err := qr.SolveVecTo(&step, false, b); err != nil {
		var condition mat.Condition
		if !errors.As(err, &condition) || math.IsInf(float64(condition), 1) {
			return nil, err
		}
	}
	return step.RawVector().Data, nil
}

// standardErrors are the square roots of the diagonal of s²(JᵀJ)⁻¹, NaN where
// the data leave a parameter open.
func (l leastSquares) standardErrors(free []float64) []float64 {
	j, lengths := l.jacobian(free)
	se := make([]float64, l.free)
	var svd mat.SVD
	if !finite(lengths) || !svd.Factorize(j, mat.SVDThin) {
		for k := range se {
			se[k] = math.NaN()
		}
		return se
	}
	values := svd.Values(nil)
	var v mat.Dense
	svd.VTo(&v)
	variance := l.squares(free) / float64(len(l.observations)-l.free)
	for k := range se {
		var sum float64
		for i, s := range values {
			x := v.At(k, i) / s
			sum += x * x
		}
		// Beyond this the derivatives themselves decide.
		if values[len(values)-1] < 1e-9*values[0] {
			sum = math.NaN()
		}
		se[k] = math.Sqrt(variance*sum) / lengths[k]
	}
	return se
}
