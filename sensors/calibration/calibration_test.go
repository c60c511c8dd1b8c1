package calibration

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rearguard/sensors"
)

var (
	start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	rh    = sensors.Series{Sensor: "nursery-north", Quantity: sensors.RelativeHumidity}
	temp  = sensors.Series{Sensor: "nursery-north", Quantity: sensors.Temperature}
)

// setOf returns a Set of corrections, in any order.
func setOf(corrections ...Correction) (*Set, error) {
	s := &Set{}
	for _, c := range corrections {
		if err := s.Add(c); err != nil {
			return nil, err
		}
	}
	return s, nil
}

func settled(mean, sd float64) Measurement {
	return Measurement{From: start, To: start.Add(30 * time.Minute), N: 30, Mean: mean, StdDev: sd, Stable: true}
}

// TestGreenspanTable checks every row of Table 2 of Greenspan 1977 (J. Res.
// NBS 81A:89) at 20, 25 and 30 °C. The polynomial reproduces the table within
// .02, far inside the published uncertainty, which is checked too.
func TestGreenspanTable(t *testing.T) {
	for _, c := range []struct {
		salt   Salt
		rh     [3]float64
		u      [3]float64
		memory bool
	}{
		{LithiumChloride, [3]float64{11.31, 11.30, 11.28}, [3]float64{.31, .27, .24}, false},
		{PotassiumAcetate, [3]float64{23.11, 22.51, 21.61}, [3]float64{.25, .32, .53}, false},
		{MagnesiumChloride, [3]float64{33.07, 32.78, 32.44}, [3]float64{.18, .16, .14}, false},
		{PotassiumCarbonate, [3]float64{43.16, 43.16, 43.17}, [3]float64{.33, .39, .50}, false},
		{MagnesiumNitrate, [3]float64{54.38, 52.89, 51.40}, [3]float64{.23, .22, .24}, true},
		{SodiumBromide, [3]float64{59.14, 57.57, 56.03}, [3]float64{.44, .40, .38}, true},
		{PotassiumIodide, [3]float64{69.90, 68.86, 67.89}, [3]float64{.26, .24, .23}, true},
		{SodiumChloride, [3]float64{75.47, 75.29, 75.09}, [3]float64{.14, .12, .11}, false},
		{PotassiumChloride, [3]float64{85.11, 84.34, 83.62}, [3]float64{.29, .26, .25}, false},
		{PotassiumNitrate, [3]float64{94.62, 93.58, 92.31}, [3]float64{.66, .55, .60}, false},
		{PotassiumSulfate, [3]float64{97.59, 97.30, 97.00}, [3]float64{.53, .45, .40}, false},
	} {
		for i, celsius := range []float64{20, 25, 30} {
			p, err := c.salt.FixedPoint(celsius)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(p.RelativeHumidity-c.rh[i]) > 0.021 || math.Abs(p.Uncertainty-c.u[i]) > 1e-9 {
				t.Errorf("%s at %g °C: %.3f ± %.2f, want %.2f ± %.2f", c.salt, celsius, p.RelativeHumidity, p.Uncertainty, c.rh[i], c.u[i])
			}
			if strings.HasSuffix(p.Source, "interpolated; from memory") != c.memory {
				t.Errorf("%s is marked %q", c.salt, p.Source)
			}
		}
	}
}

// TestSecondSource compares with RH = A·exp(B/T) of the CRC Handbook section
// 15, "Constant humidity solutions", which is good to 2 %.
func TestSecondSource(t *testing.T) {
	for _, c := range []struct {
		salt Salt
		a, b float64
	}{
		{LithiumChloride, 14.53, -75}, {MagnesiumChloride, 29.26, 34}, {MagnesiumNitrate, 25.28, 220},
		{SodiumBromide, 20.49, 308}, {SodiumChloride, 69.20, 25}, {PotassiumChloride, 49.38, 159},
		{PotassiumNitrate, 43.22, 225}, {PotassiumSulfate, 86.75, 34},
	} {
		for celsius := 20.0; celsius <= 30; celsius++ {
			p, err := c.salt.FixedPoint(celsius)
			if err != nil {
				t.Fatal(err)
			}
			crc := c.a * math.Exp(c.b/(celsius+273.15))
			if math.Abs(p.RelativeHumidity-crc) > 0.02*crc {
				t.Errorf("%s at %g °C: %.2f, CRC %.2f", c.salt, celsius, p.RelativeHumidity, crc)
			}
		}
	}
}

func TestFixedPointRange(t *testing.T) {
	for _, s := range Salts() {
		for _, celsius := range []float64{14.9, 35.1, math.NaN(), math.Inf(1)} {
			if _, err := s.FixedPoint(celsius); !errors.Is(err, ErrReference) {
				t.Errorf("%s at %g °C: %v, want refusal", s, celsius, err)
			}
		}
		// The slope must be that of the values.
		a, errA := s.FixedPoint(24.99)
		b, errB := s.FixedPoint(25.01)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		if slope := (b.RelativeHumidity - a.RelativeHumidity) / 0.02; math.Abs(slope-a.PerCelsius) > 0.03 {
			t.Errorf("%s: slope %g, values say %g", s, a.PerCelsius, slope)
		}
	}
	if _, err := MagnesiumNitrate.FixedPoint(18); !errors.Is(err, ErrReference) {
		t.Errorf("extrapolated a table: %v", err)
	}
	at20, _ := SodiumChloride.FixedPoint(20)
	at18, err := SodiumChloride.FixedPoint(18)
	if err != nil || at18.Uncertainty != 2*at20.Uncertainty {
		t.Errorf("uncertainty at 18 °C %g, want twice %g (%v)", at18.Uncertainty, at20.Uncertainty, err)
	}
	if _, err := Salt("CuSO4").FixedPoint(25); !errors.Is(err, ErrReference) {
		t.Errorf("unknown salt: %v", err)
	}
}

// TestTwoPointExample is derived from Greenspan's table: 35.0 read in MgCl2
// and 74.0 in NaCl at 25 °C give gain 1.09 and offset -5.37; 50 becomes 49.13.
func TestTwoPointExample(t *testing.T) {
	low := Point{Reference: "MgCl2", True: 32.78, Uncertainty: 0.16 / math.Sqrt(3), Reading: settled(35, 0)}
	high := Point{Reference: "NaCl", True: 75.29, Uncertainty: 0.12 / math.Sqrt(3), Reading: settled(74, 0)}
	for _, pair := range [][2]Point{{low, high}, {high, low}} {
		r, err := TwoPoint(pair[0], pair[1])
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.Gain-1.09) > 1e-9 || math.Abs(r.Offset+5.37) > 1e-9 {
			t.Errorf("gain %g offset %g, want 1.09 and -5.37", r.Gain, r.Offset)
		}
		c, err := NewCertificate("1", rh, "Ada", r, time.Time{}, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		if got := c.Correction().Apply(50); got != 49.13 {
			t.Errorf("50 becomes %v, want 49.13", got)
		}
	}
	// With the polynomials instead of the rounded table.
	a, errA := SaltPoint(MagnesiumChloride, 25, 0.5, settled(35, 0.1))
	b, errB := SaltPoint(SodiumChloride, 25, 0.5, settled(74, 0.1))
	r, err := TwoPoint(a, b)
	if errA != nil || errB != nil || err != nil {
		t.Fatal(errA, errB, err)
	}
	if math.Abs(r.Gain-1.09) > 0.001 || math.Abs(r.Offset+5.37) > 0.03 {
		t.Errorf("gain %g offset %g", r.Gain, r.Offset)
	}
}

// TestUncertaintyBySimulation draws references and readings from their
// distributions and compares the spread of the outcome with the formulas.
func TestUncertaintyBySimulation(t *testing.T) {
	low := Point{True: 33, Uncertainty: 0.3, Reading: settled(35, 0.2)}
	high := Point{True: 75, Uncertainty: 0.2, Reading: settled(74, 0.4)}
	want, err := TwoPoint(low, high)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(4, 2))
	const n = 40000
	raws := []float64{0, 35, 55, 74, 95}
	sum, squares := make([]float64, len(raws)), make([]float64, len(raws))
	var gain, gain2 float64
	for range n {
		a, b := low, high
		a.True += r.NormFloat64() * 0.3
		b.True += r.NormFloat64() * 0.2
		a.Reading.Mean += r.NormFloat64() * 0.2
		b.Reading.Mean += r.NormFloat64() * 0.4
		got, err := TwoPoint(a, b)
		if err != nil {
			t.Fatal(err)
		}
		gain, gain2 = gain+got.Gain, gain2+got.Gain*got.Gain
		for i, raw := range raws {
			y := got.Gain*raw + got.Offset
			sum[i], squares[i] = sum[i]+y, squares[i]+y*y
		}
	}
	sd := func(s, s2 float64) float64 { return math.Sqrt(s2/n - s/n*s/n) }
	for i, raw := range raws {
		if got := 2 * sd(sum[i], squares[i]); math.Abs(got/want.UncertaintyAt(raw)-1) > 0.04 {
			t.Errorf("at %g: %g, simulated %g", raw, want.UncertaintyAt(raw), got)
		}
	}
	if got := sd(gain, gain2); math.Abs(got/want.GainUncertainty-1) > 0.04 {
		t.Errorf("gain: %g, simulated %g", want.GainUncertainty, got)
	}
	if got := sd(sum[0], squares[0]); math.Abs(got/want.OffsetUncertainty-1) > 0.04 {
		t.Errorf("offset: %g, simulated %g", want.OffsetUncertainty, got)
	}
}

func TestRefusals(t *testing.T) {
	point := func(s Salt, mean float64) Point {
		p, err := SaltPoint(s, 25, 0.2, settled(mean, 0.1))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	unsettled := point(SodiumChloride, 75)
	unsettled.Reading.Stable, unsettled.Reading.Waiting = false, "still moving"
	for _, c := range []struct {
		name string
		a, b Point
		want error
	}{
		{"unstable", point(MagnesiumChloride, 33), unsettled, ErrUnstable},
		{"too close", point(SodiumChloride, 75), point(PotassiumChloride, 84), ErrTooClose},
		{"same salt twice", point(SodiumChloride, 75), point(SodiumChloride, 75), ErrTooClose},
		{"salts exchanged", point(MagnesiumChloride, 75), point(SodiumChloride, 33), ErrOrder},
		{"same reading twice", point(MagnesiumChloride, 50), point(SodiumChloride, 50), ErrOrder},
		{"gain too large", point(MagnesiumChloride, 40), point(SodiumChloride, 70), ErrTooLarge},
		{"gain too small", point(MagnesiumChloride, 25), point(SodiumChloride, 85), ErrTooLarge},
		{"shift too large", point(MagnesiumChloride, 50), point(SodiumChloride, 92), ErrTooLarge},
		{"not a number", point(MagnesiumChloride, math.NaN()), point(SodiumChloride, 75), ErrNotNumber},
	} {
		if _, err := TwoPoint(c.a, c.b); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
	if _, err := OnePoint(IcePoint(settled(4, 0))); !errors.Is(err, ErrTooLarge) {
		t.Errorf("4 °C in ice: %v", err)
	}
	if _, err := OnePoint(IcePoint(Measurement{Mean: 0.1})); !errors.Is(err, ErrUnstable) {
		t.Errorf("unsettled in ice: %v", err)
	}
	if _, err := SaltPoint(SodiumChloride, 25, -1, settled(75, 0)); !errors.Is(err, ErrNotNumber) {
		t.Errorf("negative temperature error: %v", err)
	}
}

func TestOnePoint(t *testing.T) {
	r, err := OnePoint(IcePoint(settled(0.34, 0.03)))
	if err != nil {
		t.Fatal(err)
	}
	// 0.05/√3 and 0.03 in quadrature, doubled.
	if r.Gain != 1 || r.Offset != -0.34 || math.Abs(r.Uncertainty()-0.0833) > 1e-3 {
		t.Errorf("%+v, uncertainty %g", r, r.Uncertainty())
	}
	r, err = OnePoint(ReferencePoint("thermometer 7", 25.12, 0.1, settled(24.9, 0)))
	if err != nil || math.Abs(r.Offset-0.22) > 1e-9 || math.Abs(r.UncertaintyAt(30)-0.1) > 1e-9 {
		t.Errorf("%+v %v, want +0.22 ± 0.1", r, err)
	}
}

func TestSet(t *testing.T) {
	c := func(from time.Time, offset float64) Correction {
		return Correction{Series: temp, From: from, Gain: 1, Offset: offset}
	}
	s, err := setOf(c(start.Add(2*time.Hour), -0.2), c(start, 0.3))
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range []struct {
		series sensors.Series
		at     time.Time
		want   float64
	}{
		{temp, start.Add(-time.Millisecond), 25.123456},
		{temp, start, 25.4235},
		{temp, start.Add(2*time.Hour - time.Millisecond), 25.4235},
		{temp, start.Add(2 * time.Hour), 24.9235},
		{rh, start.Add(3 * time.Hour), 25.123456},
	} {
		if got := s.Apply(k.series, k.at, 25.123456); got != k.want {
			t.Errorf("%v at %v: %v, want %v", k.series, k.at, got, k.want)
		}
	}
	if err := s.Add(c(start, 0.5)); err != nil {
		t.Fatal(err)
	}
	if got, ok := s.At(temp, start); !ok || got.Offset != 0.5 || len(s.History(temp)) != 2 {
		t.Errorf("replaced correction: %+v of %d", got, len(s.History(temp)))
	}
	if _, ok := s.At(rh, start); ok {
		t.Error("a series without correction has one")
	}
	if got := (&Set{}).Apply(temp, start, 1.00005); got != 1.00005 {
		t.Errorf("empty set changed a value to %v", got)
	}
	if got := s.Apply(temp, start, math.NaN()); !math.IsNaN(got) {
		t.Errorf("NaN became %v", got)
	}
	for name, bad := range map[string]Correction{
		"no gain":  {Series: temp, From: start},
		"NaN":      {Series: temp, From: start, Gain: 1, Offset: math.NaN()},
		"no time":  {Series: temp, Gain: 1},
		"no name":  {From: start, Gain: 1},
		"negative": {Series: temp, From: start, Gain: 1, Uncertainty: -1},
	} {
		if s.Add(bad) == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestOverdue(t *testing.T) {
	c := func(id sensors.SensorID, from time.Time, due time.Time) Correction {
		return Correction{Series: sensors.Series{Sensor: id, Quantity: sensors.Temperature}, From: from, Gain: 1, Due: due}
	}
	s, err := setOf(
		c("renewed", start, start.AddDate(0, 1, 0)), c("renewed", start.AddDate(0, 1, 0), start.AddDate(2, 0, 0)),
		c("late", start, start.AddDate(0, 3, 0)), c("later", start, start.AddDate(0, 2, 0)),
		c("never", start, time.Time{}),
	)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range s.Overdue(start.AddDate(0, 6, 0)) {
		got = append(got, string(c.Series.Sensor))
	}
	if strings.Join(got, " ") != "later late" {
		t.Errorf("overdue %v, want later and late", got)
	}
}

// TestApplyStaysDecimal: corrected values have at most four decimals, and lie
// within half of the last one of the exact line.
func TestApplyStaysDecimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Correction{Gain: rapid.Float64Range(0.8, 1.25).Draw(t, "gain"), Offset: rapid.Float64Range(-15, 15).Draw(t, "offset")}
		raw := rapid.Float64Range(-50, 110).Draw(t, "raw")
		got := c.Apply(raw)
		if math.Round(got*1e4)/1e4 != got || math.Abs(got-(c.Gain*raw+c.Offset)) > 5.0001e-5 {
			t.Fatalf("%v becomes %v", raw, got)
		}
	})
}

func TestBench(t *testing.T) {
	b := NewBench(DefaultStability(sensors.RelativeHumidity))
	if m := b.Read(); m.Stable || m.Waiting == "" {
		t.Errorf("empty bench: %+v", m)
	}
	r := rand.New(rand.NewPCG(1, 1))
	// Settling to 75.3 with a time constant of 40 min: the slope falls below
	// 0.6 %/h about 2.9 h after it stood 30 % away.
	settles := time.Duration(0)
	for m := time.Duration(0); m < 6*time.Hour; m += 30 * time.Second {
		b.Observe(start.Add(m), 75.3-30*math.Exp(-m.Minutes()/40)+r.NormFloat64()*0.05)
		if b.Read().Stable && settles == 0 {
			settles = m
		}
	}
	if settles < 150*time.Minute || settles > 220*time.Minute {
		t.Errorf("called stable after %v", settles)
	}
	m := b.Read()
	if !m.Stable || math.Abs(m.Mean-75.3) > 0.05 || m.To.Sub(m.From) < 30*time.Minute || m.To.Sub(m.From) > 32*time.Minute {
		t.Errorf("in the end %+v", m)
	}
	b.Observe(start.Add(6*time.Hour), 80)
	if m := b.Read(); m.Stable {
		t.Error("stable with a jump in the window")
	}
	b.Observe(start.Add(5*time.Hour), 75)
	b.Observe(start.Add(6*time.Hour+time.Minute), math.NaN())
	if got := b.Read(); !got.To.Equal(start.Add(6 * time.Hour)) {
		t.Errorf("took a late reading or NaN: %+v", got)
	}
	b.Observe(start.Add(7*time.Hour), 75)
	if m := b.Read(); m.N != 1 {
		t.Errorf("window bridges an hour of silence: %+v", m)
	}
	b.Reset()
	for i := range 100000 {
		b.Observe(start.Add(time.Duration(i)*100*time.Millisecond), 75)
	}
	if m := b.Read(); !m.Stable || m.N > maxBench+2 {
		t.Errorf("fast sensor: %+v", m)
	}
}

func TestCertificate(t *testing.T) {
	r, err := OnePoint(ReferencePoint("thermometer 7", 25.1, 0.1, settled(24.9, 0.02)))
	if err != nil {
		t.Fatal(err)
	}
	c, err := NewCertificate("2026-7", temp, "Ada", r, time.Time{}, time.Time{}, Instrument{Name: "thermometer 7", Due: start.AddDate(1, 0, 0)})
	if err != nil {
		t.Fatal(err)
	}
	read := start.Add(30 * time.Minute)
	if !c.At.Equal(read) || !c.From.Equal(read) || !c.Due.Equal(read.AddDate(1, 0, 0)) {
		t.Errorf("times %+v", c)
	}
	if c.Overdue(c.Due) || !c.Overdue(c.Due.Add(time.Second)) {
		t.Error("due date off")
	}
	k := c.Correction()
	if err := k.Validate(); err != nil || k.Reference != "thermometer 7" || k.By != "Ada" {
		t.Errorf("correction %+v: %v", k, err)
	}
	for name, make := range map[string]func() (Certificate, error){
		"nobody":         func() (Certificate, error) { return NewCertificate("1", temp, " ", r, time.Time{}, time.Time{}) },
		"other quantity": func() (Certificate, error) { return NewCertificate("1", rh, "Ada", r, time.Time{}, time.Time{}) },
		"due before":     func() (Certificate, error) { return NewCertificate("1", temp, "Ada", r, time.Time{}, start) },
		"no points": func() (Certificate, error) {
			return NewCertificate("1", temp, "Ada", Result{Quantity: sensors.Temperature, Gain: 1}, time.Time{}, time.Time{})
		},
		"reference overdue": func() (Certificate, error) {
			return NewCertificate("1", temp, "Ada", r, time.Time{}, time.Time{}, Instrument{Name: "x", Due: start.AddDate(-1, 0, 0)})
		},
	} {
		if _, err := make(); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestCautions(t *testing.T) {
	for _, s := range append(Salts(), "") {
		all := strings.Join(Cautions(s), "\n")
		if !strings.Contains(all, "mains") {
			t.Errorf("%q: no word on mains near water", s)
		}
	}
	if all := strings.Join(Cautions(PotassiumNitrate), "\n"); !strings.Contains(all, "fire") {
		t.Error("nitrate without its caution")
	}
}

func BenchmarkApply(b *testing.B) {
	s, err := setOf(Correction{Series: rh, From: start, Gain: 1.09, Offset: -5.37})
	if err != nil {
		b.Fatal(err)
	}
	at := start.Add(time.Hour)
	b.ReportAllocs()
	for b.Loop() {
		s.Apply(rh, at, 50)
	}
}
