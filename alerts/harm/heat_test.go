package harm_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rearguard/alerts/harm"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.6f, want %.6f ± %g", what, got, want, tolerance)
	}
}

// Codling moth fifth instar, time after which none of 600 survived: Wang,
// Ikediala, Tang & Hansen 2002, J. Stored Products Research 38:441.
var (
	codlingC       = []float64{46, 48, 50, 52}
	codlingMinutes = []float64{50, 15, 5, 2}
	// codling is the line through them by least squares of the logarithm of
	// time on temperature.
	codling = harm.Line{CTMaxC: 53.14805, ZC: 4.28179}
)

func TestLineOfCodlingMoth(t *testing.T) {
	for i, fitted := range []float64{46.71, 15.93, 5.43, 1.85} {
		got := codling.MinutesLeft(0, codlingC[i], 0)
		near(t, "minutes on the line", got, fitted, 0.006)
		near(t, "minutes of the paper", got, codlingMinutes[i], 0.09*codlingMinutes[i])
	}
	// The paper gives an activation energy of 472 kJ/mol for its data.
	const gasConstant = 8.314462618
	faster := math.Log(codling.PerMinute(52) / codling.PerMinute(46))
	energy := gasConstant * faster / (1/(46+273.15) - 1/(52+273.15)) / 1000
	near(t, "activation energy in kJ/mol", energy, 472, 0.05*472)
}

// The paper gives the injury gathered while heating to 50 °C at 1, 10 and
// 18 °C/min as 1.8, 0.2 and 0.1 minutes at 50 °C.
func TestRampOfCodlingMoth(t *testing.T) {
	for _, c := range []struct{ rate, exact, paper float64 }{{1, 1.86, 1.8}, {10, 0.186, 0.2}, {18, 0.103, 0.1}} {
		span := time.Duration(30 / c.rate * float64(time.Minute))
		injury, err := codling.Ramp(20, 50, span)
		if err != nil {
			t.Fatal(err)
		}
		equivalent := injury * codling.MinutesLeft(0, 50, 0)
		near(t, "equivalent minutes", equivalent, c.exact, 0.0006)
		near(t, "equivalent minutes of the paper", equivalent, c.paper, 0.1*c.paper)
	}
}

// Fitting example of the ThermalPhysiology documentation
// (biophysicalecology.github.io/ThermalPhysiology.jl/dev/fitting): the line
// through 289, 72, 18, 4.5 and 1.1 min at 36, 38, 40, 42 and 44 °C.
func TestDoseOfSyntheticData(t *testing.T) {
	l := harm.Line{CTMaxC: 44.14891, ZC: 3.30954}
	for i, published := range []float64{289, 72, 18, 4.5, 1.1} {
		near(t, "minutes", l.MinutesLeft(0, 36+2*float64(i), 0), published, 0.01*published)
	}
	near(t, "10 min at 40 °C and 2 min at 42 °C", 10*l.PerMinute(40)+2*l.PerMinute(42), 1.00613, 1e-4)
}

// Values worked out from the formula by hand for CTmax 44 °C, z 3.5 °C.
func TestDose(t *testing.T) {
	l := harm.Line{CTMaxC: 44, ZC: 3.5}
	hold := func(c float64, minutes int) float64 {
		injury, err := l.Ramp(c, c, time.Duration(minutes)*time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		return injury
	}
	near(t, "20 min at 40 °C", hold(40, 20), 1.43937, 1e-5)
	near(t, "60 min at 37 °C", hold(37, 60), 0.6, 1e-5)
	near(t, "sum", hold(40, 20)+hold(37, 60), 2.03937, 1e-5)
	for rate, want := range map[float64]float64{0.1: 39.864, 0.25: 41.256} {
		near(t, "dynamic CTmax", 25+rate*l.MinutesLeft(0, 25, rate), want, 0.001)
	}
}

func TestBoundary(t *testing.T) {
	l := harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: 35}
	if got := l.PerMinute(34.9); got != 0 {
		t.Errorf("injury below the boundary: %v", got)
	}
	if got := l.MinutesLeft(0, 34.9, 0); !math.IsInf(got, 1) {
		t.Errorf("time to failure below the boundary: %v", got)
	}
	whole, err := l.Ramp(30, 40, 100*time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	above, err := l.Ramp(35, 40, 50*time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "only the way above the boundary counts", whole, above, 1e-15)
}

// The closed form against fine steps, in both directions and across the
// boundary, and the time left against the dose it should complete.
func TestRampIsTheIntegral(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := harm.Line{
			CTMaxC: rapid.Float64Range(38, 50).Draw(t, "ctmax"), ZC: rapid.Float64Range(1.5, 6).Draw(t, "z"),
			BoundaryC: rapid.Float64Range(25, 38).Draw(t, "boundary"),
		}
		from, to := rapid.Float64Range(20, 45).Draw(t, "from"), rapid.Float64Range(20, 45).Draw(t, "to")
		const minutes, steps = 60, 20000
		sum := 0.0
		for i := range steps {
			sum += l.PerMinute(from+(to-from)*(float64(i)+0.5)/steps) * minutes / steps
		}
		got, err := l.Ramp(from, to, minutes*time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		// A step across the boundary is counted whole or not at all.
		slack := l.PerMinute(l.BoundaryC) * minutes / steps
		if math.Abs(got-sum) > 1e-5*sum+slack {
			t.Fatalf("ramp %v, integral %v", got, sum)
		}
		rate := (to - from) / minutes
		left := l.MinutesLeft(0, from, rate)
		if math.IsInf(left, 1) || left > 1e6 {
			return
		}
		end, err := l.Ramp(from, from+rate*left, time.Duration(left*float64(time.Minute)))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(end-1) > 1e-6 {
			t.Fatalf("injury after the time left (%v min) is %v, want 1", left, end)
		}
	})
}

func TestTimeLeft(t *testing.T) {
	l := harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: 35}
	near(t, "at a constant 40 °C", l.MinutesLeft(0, 40, 0), 13.895, 0.001)
	near(t, "half of it done", l.MinutesLeft(0.5, 40, 0), 13.895/2, 0.001)
	for what, got := range map[string]float64{
		"below the boundary":                 l.MinutesLeft(0.9, 30, 0),
		"cooling, and back in time":          l.MinutesLeft(0, 36, -1),
		"cooling below the boundary in time": l.MinutesLeft(0.5, 35.5, -0.5),
	} {
		if !math.IsInf(got, 1) {
			t.Errorf("%s: %v min left, want never", what, got)
		}
	}
	if got := l.MinutesLeft(1.2, 20, 0); got != 0 {
		t.Errorf("after the end: %v min left, want 0", got)
	}
}

func TestBadLines(t *testing.T) {
	for _, l := range []harm.Line{{CTMaxC: 44}, {CTMaxC: 44, ZC: -1}, {CTMaxC: math.NaN(), ZC: 3}, {CTMaxC: 44, ZC: 3, BoundaryC: 45}} {
		if l.Validate() == nil {
			t.Errorf("%+v was accepted", l)
		}
	}
	if err := (harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: 34}).Validate(); err != nil {
		t.Error(err)
	}
	l := harm.Line{CTMaxC: 44, ZC: 3.5}
	if _, err := l.Ramp(math.NaN(), 40, time.Minute); err == nil {
		t.Error("a ramp from NaN was accepted")
	}
	if _, err := l.Ramp(30, 40, -time.Minute); err == nil {
		t.Error("a ramp back in time was accepted")
	}
}
