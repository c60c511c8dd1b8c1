package rearing

import "math"

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
	if d == LogNormal {
		return normalQuantile(u)
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
	if d == LogNormal {
		s2 := math.Log1p(cv * cv)
		return math.Exp(math.Sqrt(s2)*z - s2/2)
	}
	return 1 + cv*z
}

// strata is the number of quantiles that representative animals are put on; a
// multiple of every size of a population.
const strata = 8192

// shapes holds the standard quantiles of the strata, since every animal needs
// one in every stage. It is never changed.
type shapes struct{ weibull, normal [strata]float64 }

func newShapes() *shapes {
	s := &shapes{}
	for i := range strata {
		u := (float64(i) + 0.5) / strata
		s.weibull[i], s.normal[i] = Weibull.standard(u), LogNormal.standard(u)
	}
	return s
}

// of returns the standard quantile of a stratum.
func (s *shapes) of(d Distribution, stratum int) float64 {
	if d == LogNormal {
		return s.normal[stratum]
	}
	return s.weibull[stratum]
}

// normalQuantile is the inverse of the standard normal distribution.
func normalQuantile(u float64) float64 { return math.Sqrt2 * math.Erfinv(2*u-1) }

// scramble maps 0..n-1 onto itself for n a power of two, differently for each
// key. It pairs the same stratified quantiles differently in each stage, so
// that every stage has exactly the stated spread and stages are unrelated,
// without storing a table and the same on every run.
func scramble(i, n int, key uint64) int {
	mask := uint64(n - 1)
	x := uint64(i)
	k := key*0x9e3779b97f4a7c15 + 0x632be59bd9b4e019
	for range 3 {
		k ^= k >> 29
		k *= 0xbf58476d1ce4e5b9
		x = (x ^ k>>32) & mask
		x = x * (k>>7 | 1) & mask
		x ^= x >> 3
	}
	return int(x & mask)
}
