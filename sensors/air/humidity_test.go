package air

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestDerivedQuantities holds a table computed independently from IF97
// saturation pressures at 101325 Pa, with the wet bulb from ASHRAE
// Fundamentals 2017 chapter 1 equation 33.
func TestDerivedQuantities(t *testing.T) {
	tests := []struct{ c, rh, e, vpdKPa, dew, ah, wet, gramsPerKg float64 }{
		{20, 50, 1169.6, 1.1696, 9.273, 8.645, 13.78, 7.263},
		{20, 80, 1871.4, .4678, 16.447, 13.832, 17.68, 11.703},
		{22, 60, 1587.1, 1.0581, 13.886, 11.651, 16.87, 9.897},
		{25, 50, 1584.9, 1.5849, 13.864, 11.518, 17.89, 9.883},
		{25, 75, 2377.3, .7924, 20.261, 17.277, 21.68, 14.943},
		{27, 80, 2854.3, .7136, 23.253, 20.605, 24.26, 18.028},
		{28, 85, 3215.4, .5674, 25.240, 23.134, 25.93, 20.383},
		{30, 30, 1274.0, 2.9727, 10.548, 9.106, 17.97, 7.920},
		{30, 70, 2972.7, 1.2740, 23.928, 21.247, 25.50, 18.798},
		{35, 40, 2251.4, 3.3772, 19.384, 15.831, 23.94, 14.134},
	}
	for _, tt := range tests {
		a := must(Derive(tt.c, tt.rh, StandardPressurePa))(t)
		near(t, "vapour pressure", a.VaporPressurePa, tt.e, tt.e*2e-4)
		near(t, "deficit", a.VaporPressureDeficitPa/1000, tt.vpdKPa, tt.vpdKPa*3e-4)
		near(t, "deficit alone", must(VPDkPa(tt.c, tt.rh))(t), tt.vpdKPa, tt.vpdKPa*3e-4)
		near(t, "dew point", a.DewPointC, tt.dew, .002)
		near(t, "absolute humidity", a.AbsoluteHumidityGM3, tt.ah, tt.ah*2e-4)
		near(t, "wet bulb", a.WetBulbC, tt.wet, .01)
		near(t, "humidity ratio", 1000*a.HumidityRatioKgKg, tt.gramsPerKg, tt.gramsPerKg*3e-4)
	}
}

func TestPublishedAnchors(t *testing.T) {
	// PsychroLib tests, SI (GetVapPresFromHumRatio and inverse).
	near(t, "humidity ratio", humidityRatio(3169.7, 95461), .0213603998, .0213603998e-6)
	// PsychroLib tests, SI (GetHumRatioFromTWetBulb), water and ice bulb.
	w, _ := bulb{overWater, 2501, 2.326, 4.186}.ratio(30, 25, 95461)
	near(t, "humidity ratio of a 25 °C wet bulb", w, .0192281, .0192281*3e-4)
	w, _ = bulb{overIce, 2830, 0.24, 2.1}.ratio(-1, -5, 95461)
	near(t, "humidity ratio of a -5 °C ice bulb", w, .001203998, .001203998*3e-4)
	near(t, "wet bulb at that ratio", wetBulb(30, .0192281, 95461), 25, .01)
	near(t, "ice bulb at that ratio", wetBulb(-1, .001203998, 95461), -5, .01)

	// ASHRAE Fundamentals 2017 ch. 1 table 2, saturation humidity ratio; the
	// table includes the enhancement factor that this package leaves out.
	for c, want := range map[float64][2]float64{5: {.005425, .005}, 25: {.020173, .005}, 50: {.086863, .01}} {
		near(t, "saturation humidity ratio", must(HumidityRatio(c, 100, 101325))(t), want[0], want[0]*want[1])
	}

	// ASHRAE Fundamentals 2017 ch. 1 example 1, read off a chart: 40 °C with
	// a wet bulb of 20 °C.
	w, _ = bulb{overWater, 2501, 2.326, 4.186}.ratio(40, 20, 101325)
	near(t, "example 1 humidity ratio", w, .0065, 1e-4)
	e := w * 101325 / (molarMassRatioVapor + w)
	es := must(SaturationOverWaterPa(40))(t)
	near(t, "example 1 relative humidity", 100*e/es, 14, 1)
	near(t, "example 1 dew point", must(DewPointC(40, 100*e/es))(t), 7, .5)

	// Saturated vapour density: OpenStax College Physics table 13.5, 25 °C.
	near(t, "vapour density at 25 °C", must(Derive(25, 100, StandardPressurePa))(t).AbsoluteHumidityGM3, 23.0, .05)
	// The same table at -10 °C, 2.36: over water.
	near(t, "vapour density at -10 °C", must(Derive(-10, 100, StandardPressurePa))(t).AbsoluteHumidityGM3, 2.36, .005)
	// OpenStax College Physics example 13.13: 9.40 g/m3 at 25 °C is 40.9 %,
	// with the table's 23.0 g/m3.
	near(t, "example 13.13", 9.40/must(Derive(25, 100, StandardPressurePa))(t).AbsoluteHumidityGM3*100, 40.9, .15)
	// Humidity conversion handbook examples (from memory).
	near(t, "20 °C 80 %", must(Derive(20, 80, StandardPressurePa))(t).AbsoluteHumidityGM3, 13.82, .02)
	near(t, "saturation at 40 °C, hPa", must(SaturationOverWaterPa(40))(t)/100, 73.8, .1)
	near(t, "dew point at 40 °C 50 %", must(DewPointC(40, 50))(t), 27.6, .1)

	// Stull 2011, J. Appl. Meteor. Clim. 50:2267: 20 °C and 50 % give
	// 13.7 °C by a fit whose error is stated as -1.0 to +0.65 °C.
	near(t, "wet bulb beside Stull's example", must(Derive(20, 50, 101325))(t).WetBulbC, 13.7, .65)
}

// TestFAO56Examples are the worked examples of FAO Irrigation and Drainage
// Paper 56 (Allen et al. 1998), chapter 3, in kPa to two digits. Its formula
// for saturation is a simpler one, within 0.12 %.
func TestFAO56Examples(t *testing.T) {
	es := func(c float64) float64 { return must(SaturationOverWaterPa(c))(t) / 1000 }
	near(t, "example 3, mean of extremes", (es(24.5)+es(15))/2, 2.39, .01)
	near(t, "example 3, at the mean", es(19.75), 2.30, .01)
	near(t, "example 2 pressure at 1800 m, kPa", must(PressureAtAltitude(1800))(t)/1000, 81.8, .5)
	near(t, "example 4, psychrometer", es(19.5)-.000662*87.9*(25.6-19.5), 1.91, .01)
	e := func(c, rh float64) float64 { return must(VaporPressurePa(c, rh))(t) / 1000 }
	near(t, "example 5", (e(18, 82)+e(25, 54))/2, 1.70, .01)
	near(t, "example 5, mean humidity only", (e(18, 100)+e(25, 100))/2*.68, 1.78, .01)
	near(t, "example 6, deficit", (es(18)+es(25))/2-(e(18, 82)+e(25, 54))/2, .91, .01)
}

func TestPressureAtAltitude(t *testing.T) {
	// ASHRAE Fundamentals 2017 ch. 1 table 1.
	for meters, pascals := range map[float64]float64{0: 101325, 500: 95461, 1000: 89875, 4000: 61640} {
		near(t, "pressure", must(PressureAtAltitude(meters))(t), pascals, 1)
	}
}

func TestUnusableInput(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	one := func(_ float64, err error) error { return err }
	derive := func(c, rh, p float64) error {
		_, err := Derive(c, rh, p)
		return err
	}
	tests := map[string]error{
		"NaN temperature":       one(VPDkPa(nan, 50)),
		"infinite temperature":  one(DewPointC(inf, 50)),
		"cold":                  one(VPDkPa(-20.01, 50)),
		"hot":                   derive(60.01, 50, 101325),
		"NaN humidity":          one(VPDkPa(20, nan)),
		"negative humidity":     derive(20, -1, 101325),
		"humidity over 100":     one(VaporPressurePa(20, 100.1)),
		"NaN pressure":          derive(20, 50, nan),
		"no pressure":           one(HumidityRatio(20, 50, 0)),
		"hectopascals":          derive(20, 50, 1013.25),
		"too high":              one(PressureAtAltitude(11001)),
		"NaN altitude":          one(PressureAtAltitude(nan)),
		"dew above air":         one(RelativeHumidityFromDewPoint(20, 20.1)),
		"NaN dew point":         one(RelativeHumidityFromDewPoint(20, nan)),
		"dew point of hot air":  one(RelativeHumidityFromDewPoint(99, 20)),
		"frost point of no air": one(RelativeHumidityFromFrostPoint(nan, -5)),
		"frost above zero":      one(RelativeHumidityFromFrostPoint(20, 1)),
		"frost over water":      one(RelativeHumidityFromFrostPoint(-10, -1)),
		"steam":                 one(SaturationOverWaterPa(61)),
	}
	for name, err := range tests {
		var r *RangeError
		if !errors.As(err, &r) {
			t.Errorf("%s: got %v, want a RangeError", name, err)
		}
	}
	for name, err := range map[string]error{
		"temperature": derive(nan, 50, 101325),
		"pressure":    derive(20, 50, inf),
	} {
		var r *RangeError
		if !errors.As(err, &r) || r.Quantity != name {
			t.Errorf("Derive: got %v, want a RangeError of %s", err, name)
		}
	}
}

func TestNoDewOrFrostPoint(t *testing.T) {
	if _, err := DewPointC(20, 0); !errors.Is(err, ErrTooDry) {
		t.Errorf("dew point at 0 %%: got %v, want ErrTooDry", err)
	}
	if _, err := frostPoint(20, 0); !errors.Is(err, ErrTooDry) {
		t.Errorf("frost point at 0 %%: got %v, want ErrTooDry", err)
	}
	damp := must(VaporPressurePa(20, 50))(t)
	if _, err := frostPoint(20, damp); !errors.Is(err, errNoFrost) {
		t.Errorf("frost point of warm damp air: got %v, want errNoFrost", err)
	}
	a := must(Derive(20, 0, 101325))(t)
	if a.HasDewPoint() || a.HasFrostPoint() {
		t.Errorf("dry air has dew point %g, frost point %g", a.DewPointC, a.FrostPointC)
	}
	near(t, "lowest dew point", must(dewPoint(20, lowestDewVaporPa))(t), LowestDewPointC, .001)
	near(t, "highest frost point", must(frostPoint(20, triplePointPascals))(t), TriplePointC, 1e-6)
	near(t, "lowest frost point", must(frostPoint(20, lowestFrostVaporPa))(t), LowestDewPointC, .001)
}

// TestSaturatedFrost takes air that is saturated over water to its frost point
// and back.
func TestSaturatedFrost(t *testing.T) {
	for c := LowestTemperatureC; c <= 0; c += 0.125 {
		saturated := must(SaturationOverWaterPa(c))(t)
		near(t, "humidity", must(RelativeHumidityFromFrostPoint(c, must(frostPoint(c, saturated))(t)))(t), 100, 1e-8)
	}
}

// TestWetBulbSlopeIsItsDerivative compares with small differences.
func TestWetBulbSlopeIsItsDerivative(t *testing.T) {
	const h = 1e-3
	for name, b := range map[string]bulb{"water": {overWater, 2501, 2.326, 4.186}, "ice": {overIce, 2830, 0.24, 2.1}} {
		for wet := -20.0; wet < 60; wet += 5 {
			_, slope := b.ratio(60, wet, 60000)
			above, _ := b.ratio(60, wet+h, 60000)
			below, _ := b.ratio(60, wet-h, 60000)
			near(t, name, slope, (above-below)/(2*h), 1e-7*slope)
		}
	}
}

// Between air in which a bulb is just wet and drier air the bulb freezes.
func TestBulbAtTheFreezingPoint(t *testing.T) {
	w, _ := bulb{overWater, 2501, 2.326, 4.186}.ratio(5, TriplePointC, StandardPressurePa)
	near(t, "just wet", wetBulb(5, w, StandardPressurePa), TriplePointC, 1e-8)
	if got := wetBulb(5, w-1e-9, StandardPressurePa); got > -0.3 {
		t.Errorf("a bulb in drier air reads %v °C, want it iced", got)
	}
}

// TestStepsTaken counts the values of saturation curves that are computed on
// the way to a result.
func TestStepsTaken(t *testing.T) {
	values := 0
	counted := func(curve func(float64) (float64, float64)) func(float64) (float64, float64) {
		return func(c float64) (float64, float64) { values++; return curve(c) }
	}
	most := func(name string, limit int) {
		t.Helper()
		if values > limit {
			t.Errorf("%s took %d values, want at most %d", name, values, limit)
		}
		values = 0
	}
	water, ice := bulb{counted(overWater), 2501, 2.326, 4.186}, bulb{counted(overIce), 2830, 0.24, 2.1}
	for c := LowestTemperatureC; c <= HighestTemperatureC; c += 2.5 {
		for rh := 2.5; rh < 100; rh += 2.5 {
			vapor := must(VaporPressurePa(c, rh))(t)
			temperatureAt(counted(overWater), vapor, c)
			most("dew point", 5)
			if vapor < triplePointPascals {
				temperatureAt(counted(overIce), vapor, min(c, TriplePointC))
				most("frost point", 5)
			}
			w := must(HumidityRatio(c, rh, StandardPressurePa))(t)
			if wetBulb(c, w, StandardPressurePa) < TriplePointC {
				ice.solve(c, w, StandardPressurePa, -60, TriplePointC)
			} else {
				water.solve(c, w, StandardPressurePa, TriplePointC, c)
			}
			most("wet bulb", 10)
		}
	}
}

// TestConsistency checks over the whole accepted range that what is derived
// leads back to what it was derived from, and lies in the right order.
func TestConsistency(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(LowestTemperatureC, HighestTemperatureC).Draw(t, "temperature")
		rh := rapid.Float64Range(0.01, 100).Draw(t, "humidity")
		p := rapid.Float64Range(LowestPressurePa, HighestPressurePa).Draw(t, "pressure")
		a, err := Derive(c, rh, p)
		if err != nil {
			t.Fatal(err)
		}
		back, err := RelativeHumidityFromDewPoint(c, a.DewPointC)
		if err != nil || math.Abs(back-rh) > 1e-8*rh {
			t.Fatalf("dew point %g leads back to %g %% (%v), want %g", a.DewPointC, back, err, rh)
		}
		if a.HasFrostPoint() {
			back, err = RelativeHumidityFromFrostPoint(c, a.FrostPointC)
			if err != nil || math.Abs(back-rh) > 1e-8*rh {
				t.Fatalf("frost point %g leads back to %g %% (%v), want %g", a.FrostPointC, back, err, rh)
			}
			if a.FrostPointC < a.DewPointC-1e-9 {
				t.Fatalf("frost point %g is below dew point %g", a.FrostPointC, a.DewPointC)
			}
		}
		if a.WetBulbC >= TriplePointC && (a.WetBulbC < a.DewPointC-1e-6 || a.WetBulbC > c+1e-9) {
			t.Fatalf("wet bulb %g is not between dew point %g and air %g", a.WetBulbC, a.DewPointC, c)
		}
		balance := bulb{overWater, 2501, 2.326, 4.186}
		if a.WetBulbC < TriplePointC {
			balance = bulb{overIce, 2830, 0.24, 2.1}
		}
		if w, slope := balance.ratio(c, a.WetBulbC, p); math.Abs(w-a.HumidityRatioKgKg) > 1e-8*slope {
			t.Fatalf("wet bulb %g belongs to humidity ratio %g, want %g", a.WetBulbC, w, a.HumidityRatioKgKg)
		}
	})
}

// TestMoreVapor checks that more humidity never means less of anything that
// grows with it.
func TestMoreVapor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(LowestTemperatureC, HighestTemperatureC).Draw(t, "temperature")
		low := rapid.Float64Range(0.01, 99).Draw(t, "drier")
		high := rapid.Float64Range(low+0.01, 100).Draw(t, "damper")
		a, err := Derive(c, low, StandardPressurePa)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Derive(c, high, StandardPressurePa)
		if err != nil {
			t.Fatal(err)
		}
		if b.DewPointC < a.DewPointC || b.WetBulbC < a.WetBulbC-1e-8 || b.AbsoluteHumidityGM3 <= a.AbsoluteHumidityGM3 ||
			b.HumidityRatioKgKg <= a.HumidityRatioKgKg || b.VaporPressureDeficitPa >= a.VaporPressureDeficitPa {
			t.Fatalf("at %g °C, from %g %% to %g %%: %+v then %+v", c, low, high, a, b)
		}
	})
}

func BenchmarkVPDkPa(b *testing.B) {
	for i := range b.N {
		if _, err := VPDkPa(float64(i%40), 60); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDewPointC(b *testing.B) {
	for i := range b.N {
		if _, err := DewPointC(float64(i%40), 60); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDerive(b *testing.B) {
	for i := range b.N {
		if _, err := Derive(float64(i%40), 60, StandardPressurePa); err != nil {
			b.Fatal(err)
		}
	}
}
