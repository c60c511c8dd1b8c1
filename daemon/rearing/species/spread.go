package species

import (
	"math"

	"rearguard/daemon/rearing/internal/strata"
)

// Distribution is the shape of the spread of a stage's requirement among the
// animals of a cohort.
type Distribution string

// The distributions.
const (
	// weibull is the three-parameter Weibull distribution of shape 2.5.
	weibull Distribution = "weibull"
	// logNormal is the two-parameter log-normal distribution.
	logNormal Distribution = "lognormal"
)

// weibullShape is the shape of the Weibull spread. With location 0.8, scale
// 0.22 and this shape it is the same-shape curve of development time of
// Wagner et al. 1984 (Environ. Entomol. 13:1200); only the coefficient of
// variation differs between stages.
const weibullShape = 2.5

// maxSpread is the largest coefficient of variation for which the Weibull
// spread has no animal with a negative requirement.
const maxSpread = 0.4

// Quantile returns the requirement of the animal at quantile u (0 < u < 1)
// as a multiple of the mean requirement, for coefficient of variation cv.
func (d Distribution) Quantile(u, cv float64) float64 {
	return d.multiple(d.standard(u), cv)
}

// standard is quantile u of the distribution's standard form: mean 0 and
// deviation 1 for the Weibull, the standard normal for the log-normal.
func (d Distribution) standard(u float64) float64 {
	if d == logNormal {
		return strata.Normal(u)
	}
	g1 := math.Gamma(1 + 1/weibullShape)
	sd := math.Sqrt(math.Gamma(1+2/weibullShape) - g1*g1)
	return (math.Pow(-math.Log1p(-u), 1/weibullShape) - g1) / sd
}

// multiple turns a standard quantile into a multiple of the mean.
func (d Distribution) multiple(z, cv float64) float64 {
	if cv <= 0 {
		return 1
	}
	if d == logNormal {
		s2 := math.Log1p(cv * cv)
		return math.Exp(math.Sqrt(s2)*z - s2/2)
	}
	return 1 + cv*z
}

// shapes holds the standard quantiles of the strata, since every animal needs
// one in every stage. It is never changed.
type shapes struct{ weibull, normal [strata.Count]float64 }

func newShapes() *shapes {
	s := &shapes{}
	for i := range strata.Count {
		u := (float64(i) + 0.5) / strata.Count
		s.weibull[i], s.normal[i] = weibull.standard(u), logNormal.standard(u)
	}
	return s
}

// of returns the standard quantile of a stratum.
func (s *shapes) of(d Distribution, stratum int) float64 {
	if d == logNormal {
		return s.normal[stratum]
	}
	return s.weibull[stratum]
}
