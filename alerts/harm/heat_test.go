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

// Injury builds up at the boundary itself, as it does above: 10^(-9/3.5) a
// minute.
func TestAtTheBoundary(t *testing.T) {
	l := harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: 35}
	const perMinute = 0.00268270
	near(t, "injury in a minute", l.PerMinute(35), perMinute, 1e-8)
	near(t, "minutes left", l.MinutesLeft(0, 35, 0), 1/perMinute, 0.01)
	hour, err := l.Ramp(35, 35, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "injury in an hour", hour, 60*perMinute, 1e-6)
	if still, err := l.Ramp(35, 40, 0); err != nil || still != 0 {
		t.Errorf("no time at all: injury %v, %v", still, err)
	}
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
	})
}

// The injury gathered in the time left is what was missing; and where the time
// is said to be endless, it stays incomplete however long one waits. From a
// room that all but stands still to one that heats by 10 °C a minute.
func TestTimeLeftCompletesTheInjury(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := harm.Line{
			CTMaxC: rapid.Float64Range(38, 50).Draw(t, "ctmax"), ZC: rapid.Float64Range(1.5, 6).Draw(t, "z"),
			BoundaryC: rapid.Float64Range(25, 38).Draw(t, "boundary"),
		}
		from := rapid.Float64Range(20, 45).Draw(t, "from")
		rate := math.Pow(10, rapid.Float64Range(-7, 1).Draw(t, "exponent")) * rapid.SampledFrom([]float64{-1, 0, 1}).Draw(t, "sign")
		injury := rapid.Float64Range(0, 0.99).Draw(t, "injury")
		left := l.MinutesLeft(injury, from, rate)
		minutes := left
		if math.IsInf(left, 1) {
			minutes = 1e7
		}
		if minutes > 1e8 {
			t.Skip("longer than a span can be")
		}
		more, err := l.Ramp(from, from+rate*minutes, time.Duration(minutes*float64(time.Minute)))
		if err != nil {
			t.Fatal(err)
		}
		switch end := injury + more; {
		case math.IsInf(left, 1) && end > 1:
			t.Fatalf("endless, but injury is %v after %v min", end, minutes)
		case !math.IsInf(left, 1) && math.Abs(end-1) > 1e-6:
			t.Fatalf("injury after the time left (%v min) is %v, want 1", left, end)
		}
	})
}

func TestTimeLeft(t *testing.T) {
	l := harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: 35}
	near(t, "at a constant 40 °C", l.MinutesLeft(0, 40, 0), 13.895, 0.001)
	near(t, "half of it done", l.MinutesLeft(0.5, 40, 0), 13.895/2, 0.001)
	// 10^(-8/3.5) a minute at first; while it cools to the boundary, 0.3795 is
	// gathered.
	near(t, "cooling, and too late", l.MinutesLeft(0.7, 36, -0.01), 72.921, 0.001)
	// 50 minutes to the boundary, then log(1 + 0.1 ln10/3.5 0.5/10^(-9/3.5))
	// over 0.1 ln10/3.5.
	near(t, "warming from below the boundary", l.MinutesLeft(0.5, 30, 0.1), 50+39.291, 0.001)
	for what, got := range map[string]float64{
		"cooling from below the boundary":    l.MinutesLeft(0.5, 30, -0.1),
		"cooling below the boundary slowly":  l.MinutesLeft(0.5, 36, -0.01),
		"below the boundary":                 l.MinutesLeft(0.9, 30, 0),
		"cooling, and back in time":          l.MinutesLeft(0, 36, -1),
		"cooling below the boundary in time": l.MinutesLeft(0.5, 35.5, -0.5),
	} {
		if !math.IsInf(got, 1) {
			t.Errorf("%s: %v min left, want never", what, got)
		}
	}
	for _, injury := range []float64{1, 1.2} {
		if got := l.MinutesLeft(injury, 20, 0); got != 0 {
			t.Errorf("after the end, at %v: %v min left, want 0", injury, got)
		}
	}
}

func TestBadLines(t *testing.T) {
	for _, l := range []harm.Line{{CTMaxC: 44}, {CTMaxC: 44, ZC: -1}, {CTMaxC: math.NaN(), ZC: 3}, {CTMaxC: 44, ZC: 3, BoundaryC: 45}} {
		if l.Validate() == nil {
			t.Errorf("%+v was accepted", l)
		}
	}
	for _, boundary := range []float64{34, 44} {
		if err := (harm.Line{CTMaxC: 44, ZC: 3.5, BoundaryC: boundary}).Validate(); err != nil {
			t.Error(err)
		}
	}
	l := harm.Line{CTMaxC: 44, ZC: 3.5}
	for _, c := range [][2]float64{{math.NaN(), 40}, {40, math.NaN()}, {math.Inf(-1), 40}, {40, math.Inf(1)}} {
		if _, err := l.Ramp(c[0], c[1], time.Minute); err == nil {
			t.Errorf("a ramp from %v to %v °C was accepted", c[0], c[1])
		}
	}
	if _, err := l.Ramp(30, 40, -time.Minute); err == nil {
		t.Error("a ramp back in time was accepted")
	}
}
