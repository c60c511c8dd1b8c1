package fitting

import (
	"errors"
	"fmt"
	"math"
)

// Update combines a prior with single durations, also with one alone or with
// several at one temperature, which determine no line: the direction they say
// nothing about keeps its prior. Durations scatter about K/(T - t) with the
// coefficient of variation variation (0.05 is 5 %), which must cover what
// cohorts differ in from one another. The result is the most probable pair,
// with the covariance of the normal distribution that touches there.
func Update(prior Estimate, observations []Observation, variation float64) (Estimate, error) {
	if err := prior.check(); err != nil {
		return Estimate{}, fmt.Errorf("prior: %w", err)
	}
	if err := check(observations, 0); err != nil {
		return Estimate{}, err
	}
	if !(variation > 0 && variation < 1) {
		return Estimate{}, fmt.Errorf("coefficient of variation is %g, want between 0 and 1", variation)
	}
	p := prior.precision()
	weight := 1 / (variation * variation)
	// cost is minus twice the logarithm of the posterior, infinite where a
	// duration is impossible.
	cost := func(t, k float64) float64 {
		dt, dk := t-prior.ThresholdC, k-prior.Requirement
		sum := p.tt*dt*dt + 2*p.tk*dt*dk + p.kk*dk*dk
		for _, o := range observations {
			if !(k > 0 && o.TemperatureC > t) {
				return math.Inf(1)
			}
			r := math.Log(o.Days * (o.TemperatureC - t) / k)
			sum += weight * r * r
		}
		return sum
	}
	t, k := prior.ThresholdC, prior.Requirement
	for _, o := range observations {
		// The prior may have its threshold above a temperature of the data.
		t = math.Min(t, o.TemperatureC-1)
	}
	for range 200 {
		// Gauss-Newton: residual r = ln D - ln K + ln(T - t).
		h := p
		gt := p.tt*(t-prior.ThresholdC) + p.tk*(k-prior.Requirement)
		gk := p.tk*(t-prior.ThresholdC) + p.kk*(k-prior.Requirement)
		for _, o := range observations {
			r := math.Log(o.Days * (o.TemperatureC - t) / k)
			jt, jk := -1/(o.TemperatureC-t), -1/k
			h = h.plus(precision{weight * jt * jt, weight * jt * jk, weight * jk * jk})
			gt += weight * jt * r
			gk += weight * jk * r
		}
		st, sk, err := h.solve(-gt, -gk)
		if err != nil {
			return Estimate{}, err
		}
		// Near the end only rounding tells two costs apart.
		step, now := 1.0, cost(t, k)
		for step > 1e-12 && !(cost(t+step*st, k+step*sk) <= now+1e-11*(1+now)) {
			step /= 2
		}
		t, k = t+step*st, k+step*sk
		if math.Abs(st) < 1e-8 && math.Abs(sk) < 1e-8*k {
			return h.estimate(prior.Method, h.tt*t+h.tk*k, h.tk*t+h.kk*k)
		}
	}
	return Estimate{}, errors.New("threshold and requirement did not settle: the durations contradict the prior values")
}

// precision is the inverse of a covariance matrix of threshold and requirement.
type precision struct{ tt, tk, kk float64 }

func (e Estimate) precision() precision {
	d := e.ThresholdVariance*e.RequirementVariance - e.Covariance*e.Covariance
	return precision{e.RequirementVariance / d, -e.Covariance / d, e.ThresholdVariance / d}
}

func (p precision) plus(q precision) precision {
	return precision{p.tt + q.tt, p.tk + q.tk, p.kk + q.kk}
}

func (p precision) solve(t, k float64) (x, y float64, err error) {
	d := p.tt*p.kk - p.tk*p.tk
	if !(d > 0) {
		return 0, 0, errors.New("threshold and requirement cannot be told apart: correlation too close to -1 or 1")
	}
	return (p.kk*t - p.tk*k) / d, (p.tt*k - p.tk*t) / d, nil
}

// estimate returns the normal distribution with this precision and the mean
// that the precision turns into (t, k).
func (p precision) estimate(method Method, t, k float64) (Estimate, error) {
	threshold, requirement, err := p.solve(t, k)
	if err != nil {
		return Estimate{}, err
	}
	d := p.tt*p.kk - p.tk*p.tk
	e := Estimate{
		Method: method, ThresholdC: threshold, Requirement: requirement,
		ThresholdVariance: p.kk / d, RequirementVariance: p.tt / d, Covariance: -p.tk / d,
	}
	return e, e.check()
}
