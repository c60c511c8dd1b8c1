package species

import (
	"math"
	"testing"
)

func TestWeibullSpreadIsTheSameShapeCurve(t *testing.T) {
	// F(x) = 1-exp(-((x-0.8)/0.22)^2.5) has mean 0.995198, standard deviation
	// 0.083527 and F(0.9)=0.13003, F(1)=0.54524, F(1.1)=0.88599, F(1.2)=0.98841
	// (form of Wagner et al. 1984, Environ. Entomol. 13:1200).
	const mean, sd = 0.995198, 0.083527
	for x, u := range map[float64]float64{0.9: 0.13003, 1: 0.54524, 1.1: 0.88599, 1.2: 0.98841} {
		if got := mean * weibull.Quantile(u, sd/mean); math.Abs(got-x) > 1e-4 {
			t.Errorf("quantile of %v = %v, want %v", u, got, x)
		}
	}
}

func TestSpreadHasMeanOneAndStatedDeviation(t *testing.T) {
	for _, d := range []Distribution{weibull, logNormal} {
		for _, cv := range []float64{0, 0.05, 0.15, 0.4} {
			const n = 200000
			var sum, squares float64
			for i := range n {
				q := d.Quantile((float64(i)+0.5)/n, cv)
				if !(q > 0) {
					t.Fatalf("%s: quantile %v for cv %v", d, q, cv)
				}
				sum += q
				squares += q * q
			}
			mean := sum / n
			sd := math.Sqrt(math.Max(0, squares/n-mean*mean))
			if math.Abs(mean-1) > 1e-4 || math.Abs(sd-cv) > 1e-3 {
				t.Errorf("%s cv %v: mean %v, deviation %v", d, cv, mean, sd)
			}
		}
	}
}
