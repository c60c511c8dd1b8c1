package air

import (
	"math"
	"testing"
)

// if97 is IAPWS R7-97(2012) equation 30, the saturation pressure of water in
// pascals at kelvin: the reference for 0 °C and above. Coefficients from
// memory; TestReferenceFormulas holds them against the published check values.
func if97(kelvin float64) float64 {
	n := [...]float64{
		0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
		0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
	}
	th := kelvin + n[8]/(kelvin-n[9])
	a := th*th + n[0]*th + n[1]
	b := n[2]*th*th + n[3]*th + n[4]
	c := n[5]*th*th + n[6]*th + n[7]
	return 1e6 * math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4)
}

// tetens is FAO-56 (Allen et al. 1998) equation 11, in kilopascals.
func tetens(c float64) float64 { return 0.6108 * math.Exp(17.27*c/(c+237.3)) }

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.8g, want %.8g within %.2g", what, got, want, tolerance)
	}
}

func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// iceVapor is the saturation pressure over ice that the frost point and the
// iced bulb are computed from.
func iceVapor(c float64) float64 {
	pascals, _ := overIce(c)
	return pascals
}

func TestReferenceFormulas(t *testing.T) {
	// IAPWS R7-97(2012) table 35.
	for kelvin, mpa := range map[float64]float64{300: 0.353658941e-2, 500: 2.63889776, 600: 12.3443146} {
		near(t, "IF97", if97(kelvin)/1e6, mpa, mpa*2e-9)
	}
	// FAO-56 annex 2 table 2.3, kPa.
	for c, kpa := range map[float64]float64{
		1: .657, 5: .872, 10: 1.228, 12: 1.403, 15: 1.705, 18: 2.064, 20: 2.338, 22: 2.644,
		25: 3.168, 27: 3.565, 30: 4.243, 35: 5.623, 40: 7.376, 45: 9.582, 24.5: 3.075,
	} {
		near(t, "Tetens", tetens(c), kpa, .001)
	}
}

func TestSaturationOverWater(t *testing.T) {
	tests := []struct {
		source     string
		c, pascals float64
		relative   float64
	}{
		{"IAPWS SR1-86(1992) table 1, triple point", 0.01, 611.657, 2e-6},
		{"IAPWS R7-97(2012) table 35, 300 K", 26.85, 3536.58941, 1e-4},
		{"ASHRAE Fundamentals 2017 ch. 1 table 3", 5, 872.6, 3e-4},
		{"ASHRAE Fundamentals 2017 ch. 1 table 3", 25, 3169.7, 3e-4},
		{"ASHRAE Fundamentals 2017 ch. 1 table 3", 50, 12351.3, 3e-4},
	}
	for _, tt := range tests {
		got := must(SaturationOverWaterPa(tt.c))(t)
		near(t, tt.source, got, tt.pascals, tt.pascals*tt.relative)
	}
	var greatest, at float64
	for c := 0.01; c <= 60; c += 0.1 {
		want := if97(c + zeroCelsiusKelvin)
		got := must(SaturationOverWaterPa(c))(t)
		if d := math.Abs(got/want - 1); d > greatest {
			greatest, at = d, c
		}
	}
	t.Logf("greatest difference from IF97, 0.01 to 60 °C: %.4f %% at %.1f °C", 100*greatest, at)
	if greatest > 1.5e-4 {
		t.Errorf("greatest difference from IF97 is %g at %g °C", greatest, at)
	}
	// FAO-56's simpler formula differs by up to about 0.12 % from 0 to 45 °C.
	for c := 0.01; c <= 45; c += 0.5 {
		got := must(SaturationOverWaterPa(c))(t)
		near(t, "saturation beside FAO-56 equation 11", got/1000, tetens(c), tetens(c)*1.4e-3)
	}
}

func TestSaturationOverIce(t *testing.T) {
	tests := []struct {
		source     string
		c, pascals float64
		tolerance  float64
	}{
		{"IAPWS R14-08(2011), 230 K", 230 - zeroCelsiusKelvin, 8.94735, 1e-5},
		{"triple point", TriplePointC, 611.657, 1e-6},
		{"ASHRAE Fundamentals 2017 ch. 1 table 3", -20, 103.24, 0.01},
		{"ASHRAE Fundamentals 2017 ch. 1 table 3", -5, 401.74, 0.01},
		{"IAPWS R14-08(2011), regression", -10, 259.87, 0.05},
	}
	for _, tt := range tests {
		near(t, tt.source, iceVapor(tt.c), tt.pascals, tt.tolerance)
	}
	// WMO-No. 8 annex 4.B, ice, has the same curve within 0.05 %.
	for c := -20.0; c <= 0; c++ {
		wmo := 611.2 * math.Exp(22.46*c/(272.62+c))
		near(t, "over ice beside WMO-No. 8", iceVapor(c), wmo, wmo*5e-4)
	}
	water := must(SaturationOverWaterPa(TriplePointC))(t)
	near(t, "curves meet at the triple point", iceVapor(TriplePointC), water, 1e-3)
}

func TestSaturationSlopeIsItsDerivative(t *testing.T) {
	const h = 1e-3
	for c := -99.0; c < 59; c++ {
		for name, curve := range map[string]func(float64) (float64, float64){"water": overWater, "ice": overIce} {
			_, slope := curve(c)
			above, _ := curve(c + h)
			below, _ := curve(c - h)
			near(t, name, slope, math.Log(above/below)/(2*h), 1e-8)
		}
	}
}
