package population

import "math"

// betaBinomial is the chance of k in n when the share is drawn from a beta
// distribution with parameters a and b.
func betaBinomial(k, n int, a, b float64) float64 {
	lg := func(x float64) float64 {
		v, _ := math.Lgamma(x)
		return v
	}
	x, m := float64(k), float64(n)
	return math.Exp(lg(m+1) - lg(x+1) - lg(m-x+1) +
		lg(x+a) + lg(m-x+b) - lg(m+a+b) + lg(a+b) - lg(a) - lg(b))
}
