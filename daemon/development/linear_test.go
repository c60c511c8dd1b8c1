package development

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var _ Rate = Linear{}

func TestNewLinearRefuses(t *testing.T) {
	nan := math.NaN()
	for name, call := range map[string]func() (Linear, error){
		"NaN lower":      func() (Linear, error) { return NewLinear(nan, 30, Horizontal) },
		"infinite lower": func() (Linear, error) { return NewLinear(math.Inf(-1), 30, Horizontal) },
		"NaN upper":      func() (Linear, error) { return NewLinear(10, nan, Horizontal) },
		"equal":          func() (Linear, error) { return NewLinear(10, 10, Horizontal) },
		"swapped":        func() (Linear, error) { return NewLinear(30, 10, Horizontal) },
		"cutoff":         func() (Linear, error) { return NewLinear(10, 30, Cutoff(7)) },
	} {
		if got, err := call(); err == nil {
			t.Errorf("%s: got %+v, want an error", name, got)
		}
	}
}

func TestNames(t *testing.T) {
	for _, c := range []Cutoff{Horizontal, Vertical, Intermediate} {
		if got, err := ParseCutoff(c.String()); err != nil || got != c {
			t.Errorf("ParseCutoff(%q) = %v, %v", c, got, err)
		}
		var back Cutoff
		text, _ := c.MarshalText()
		if err := back.UnmarshalText(text); err != nil || back != c {
			t.Errorf("%v came back as %v, %v", c, back, err)
		}
	}
	for m := Observed; m <= DoubleTriangle; m++ {
		if got, err := ParseMethod(m.String()); err != nil || got != m {
			t.Errorf("ParseMethod(%q) = %v, %v", m, got, err)
		}
	}
	if _, err := ParseCutoff("diagonal"); err == nil {
		t.Error("ParseCutoff(diagonal): want an error")
	}
	if _, err := ParseMethod("guess"); err == nil {
		t.Error("ParseMethod(guess): want an error")
	}
	if err := new(Cutoff).UnmarshalText([]byte("diagonal")); err == nil {
		t.Error("UnmarshalText(diagonal): want an error")
	}
}

func TestLinearPerDay(t *testing.T) {
	for _, tt := range []struct {
		cutoff Cutoff
		c      float64
		want   float64
	}{
		{Horizontal, 5, 0}, {Horizontal, 10, 0}, {Horizontal, 25, 15}, {Horizontal, 30, 20}, {Horizontal, 45, 20},
		{Vertical, 30, 20}, {Vertical, 30.1, 0}, {Intermediate, 35, 15}, {Intermediate, 50, 0}, {Intermediate, 80, 0},
		{Horizontal, math.NaN(), 0}, {Vertical, math.Inf(1), 0}, {Intermediate, math.Inf(1), 0}, {Horizontal, math.Inf(-1), 0},
	} {
		model := must(NewLinear(10, 30, tt.cutoff))(t)
		near(t, tt.cutoff.String(), model.PerDay(tt.c), tt.want, 1e-12)
		if math.IsInf(tt.c, 0) {
			continue
		}
		near(t, tt.cutoff.String()+" along a constant", model.Along(tt.c, tt.c, 2), 2*tt.want, 1e-12)
	}
}

func anyLinear(t *rapid.T) Linear {
	lower := rapid.Float64Range(-5, 20).Draw(t, "lower")
	upper := NoUpper
	if rapid.Bool().Draw(t, "has upper") {
		upper = lower + rapid.Float64Range(0.5, 30).Draw(t, "span")
	}
	cutoff := rapid.SampledFrom([]Cutoff{Horizontal, Vertical, Intermediate}).Draw(t, "cutoff")
	model, err := NewLinear(lower, upper, cutoff)
	if err != nil {
		t.Fatal(err)
	}
	return model
}

// integrate sums f over n midpoints of [0, 1].
func integrate(f func(float64) float64, n int) float64 {
	var sum float64
	for i := range n {
		sum += f((float64(i) + 0.5) / float64(n))
	}
	return sum / float64(n)
}

func TestAlongIsTheIntegral(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		model := anyLinear(t)
		from := rapid.Float64Range(-20, 60).Draw(t, "from")
		to := rapid.Float64Range(-20, 60).Draw(t, "to")
		days := rapid.Float64Range(0.0001, 3).Draw(t, "days")
		got := model.Along(from, to, days)
		want := days * integrate(func(x float64) float64 { return model.PerDay(from + x*(to-from)) }, 20000)
		// A vertical cut-off jumps by up to 30 within one of 20000 steps.
		if math.Abs(got-want) > 3e-3*days {
			t.Fatalf("along %g to %g in %g days: %g, want %g", from, to, days, got, want)
		}
		if back := model.Along(to, from, days); math.Abs(back-got) > 1e-12*(1+got) {
			t.Fatalf("the way back is %g, not %g", back, got)
		}
	})
}

func TestAlongIsAdditive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		model := anyLinear(t)
		from := rapid.Float64Range(-20, 60).Draw(t, "from")
		to := rapid.Float64Range(-20, 60).Draw(t, "to")
		days := rapid.Float64Range(0.0001, 3).Draw(t, "days")
		share := rapid.Float64Range(0, 1).Draw(t, "share")
		middle := from + share*(to-from)
		whole := model.Along(from, to, days)
		parts := model.Along(from, middle, share*days) + model.Along(middle, to, (1-share)*days)
		if math.Abs(whole-parts) > 1e-10 {
			t.Fatalf("whole %g, parts %g", whole, parts)
		}
	})
}

func TestWarmerIsNeverSlowerBelowTheUpperThreshold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		model := anyLinear(t)
		ceiling := math.Min(model.UpperC(), 60)
		a := rapid.Float64Range(-20, ceiling).Draw(t, "a")
		b := rapid.Float64Range(-20, ceiling).Draw(t, "b")
		warmer := rapid.Float64Range(0, 10).Draw(t, "warmer")
		c, d := math.Min(a+warmer, ceiling), math.Min(b+warmer, ceiling)
		if model.Along(c, d, 1) < model.Along(a, b, 1)-1e-12 {
			t.Fatalf("%g to %g is slower than %g to %g", c, d, a, b)
		}
	})
}

func TestDailyMethodsAreBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		model := anyLinear(t)
		low := rapid.Float64Range(-20, 60).Draw(t, "minimum")
		high := low + rapid.Float64Range(0, 30).Draw(t, "range")
		next := rapid.Float64Range(-20, 60).Draw(t, "next minimum")
		most := math.Min(math.Max(high, next), model.UpperC()) - model.LowerC()
		for m := Average; m <= DoubleTriangle; m++ {
			got, err := model.Day(m, low, high, next)
			if err != nil {
				t.Fatal(err)
			}
			if !(got >= 0 && got <= math.Max(0, most)+1e-9) {
				t.Fatalf("%v gives %g, not 0 to %g", m, got, most)
			}
		}
	})
}

// TestClosedFormsAreIntegrals compares the closed forms with the numeric
// integral of the curves they are made from.
func TestClosedFormsAreIntegrals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		model := anyLinear(t)
		low := rapid.Float64Range(-20, 50).Draw(t, "minimum")
		high := low + rapid.Float64Range(0.01, 30).Draw(t, "range")
		next := rapid.Float64Range(low-10, high).Draw(t, "next minimum")
		// The published intermediate cut-off is not stopped at zero.
		rate := func(c float64) float64 {
			if model.Cutoff() == Intermediate && c > model.UpperC() {
				return 2*model.UpperC() - model.LowerC() - c
			}
			return model.PerDay(c)
		}
		sine := func(low, high float64) float64 {
			return integrate(func(x float64) float64 {
				return rate((low+high)/2 + (high-low)/2*math.Sin(math.Pi*(x-0.5)))
			}, 20000)
		}
		triangle := func(low, high float64) float64 {
			return integrate(func(x float64) float64 { return rate(low + x*(high-low)) }, 20000)
		}
		for method, want := range map[Method]float64{
			SingleSine:     sine(low, high),
			DoubleSine:     (sine(low, high) + sine(next, high)) / 2,
			SingleTriangle: triangle(low, high),
			DoubleTriangle: (triangle(low, high) + triangle(next, high)) / 2,
		} {
			got, err := model.Day(method, low, high, next)
			if err != nil {
				t.Fatal(err)
			}
			// A vertical cut-off jumps by up to 30 within one step, and the
			// sine is flat where it may do so.
			tolerance := 1e-5
			if model.Cutoff() == Vertical {
				tolerance = 5e-3
			}
			if math.Abs(got-math.Max(0, want)) > tolerance {
				t.Fatalf("%v gives %g, its curve %g", method, got, want)
			}
		}
	})
}

func TestByDay(t *testing.T) {
	model := must(NewLinear(10, NoUpper, Horizontal))(t)
	start := time.Date(2024, 3, 1, 12, 0, 0, 0, time.UTC)
	points := []Point{{start, 10}, {start.Add(24 * time.Hour), 34}, {start.Add(60 * time.Hour), 34}}
	days := must(ByDay(model, points, time.UTC))(t)
	// From 10 °C at noon a degree an hour: 12 degrees at midnight, a mean of
	// 6 for half a day, then a mean of 18 for half a day, and 24 from there.
	for i, want := range []float64{3, 9 + 12, 24} {
		near(t, days[i].Date.Format(time.DateOnly), days[i].Progress, want, 1e-12)
	}
	if len(days) != 3 {
		t.Errorf("got %d days, want 3: a curve that ends at midnight ends the day", len(days))
	}
	near(t, "sum", days[2].Cumulative, 48, 1e-12)
	for i, want := range []time.Duration{12, 24, 24} {
		if days[i].Covered != want*time.Hour {
			t.Errorf("day %d is covered for %v, want %v hours", i, days[i].Covered, int(want))
		}
	}
}

func TestByDayInSummerTime(t *testing.T) {
	berlin := must(time.LoadLocation("Europe/Berlin"))(t)
	santiago := must(time.LoadLocation("America/Santiago"))(t)
	model := must(NewLinear(10, NoUpper, Horizontal))(t)
	for _, tt := range []struct {
		start time.Time
		hours []float64
		dates []int
	}{
		{time.Date(2024, 3, 30, 0, 0, 0, 0, berlin), []float64{24, 23, 24}, []int{30, 31, 1}},
		{time.Date(2024, 10, 26, 0, 0, 0, 0, berlin), []float64{24, 25, 24}, []int{26, 27, 28}},
		// Summer time begins at midnight, which does not exist then.
		{time.Date(2024, 9, 7, 0, 0, 0, 0, santiago), []float64{24, 23, 24}, []int{7, 8, 9}},
	} {
		var hours float64
		for _, h := range tt.hours {
			hours += h
		}
		points := []Point{{tt.start, 34}, {tt.start.Add(time.Duration(hours * float64(time.Hour))), 34}}
		days := must(ByDay(model, points, tt.start.Location()))(t)
		if len(days) != len(tt.hours) {
			t.Errorf("%v: got %d days, want %d", tt.start, len(days), len(tt.hours))
			continue
		}
		for i, h := range tt.hours {
			near(t, days[i].Date.String(), days[i].Progress, h, 1e-9)
			if want := tt.dates[i]; days[i].Date.Day() != want {
				t.Errorf("day %d is %v, want the %d", i, days[i].Date, want)
			}
		}
	}
}

func TestByDayRefuses(t *testing.T) {
	model := must(NewLinear(10, NoUpper, Horizontal))(t)
	now := time.Date(2024, 3, 1, 12, 0, 0, 0, time.UTC)
	for name, points := range map[string][]Point{
		"none":       nil,
		"one":        {{now, 20}},
		"NaN":        {{now, 20}, {now.Add(1), math.NaN()}},
		"infinite":   {{now, math.Inf(1)}, {now.Add(1), 20}},
		"same time":  {{now, 20}, {now, 21}},
		"wrong time": {{now, 20}, {now.Add(-1), 21}},
	} {
		if got, err := ByDay(model, points, time.UTC); err == nil {
			t.Errorf("%s: got %v, want an error", name, got)
		}
	}
}

// TestByDaySum checks that splitting into days in any zone leaves the sum as
// it is.
func TestByDaySum(t *testing.T) {
	zones := []*time.Location{time.UTC, time.FixedZone("", 5*3600+1800), must(time.LoadLocation("Pacific/Auckland"))(t)}
	rapid.Check(t, func(t *rapid.T) {
		model := anyLinear(t)
		at := time.Unix(rapid.Int64Range(1.6e9, 1.8e9).Draw(t, "start"), 0)
		var points []Point
		var want float64
		for i := range rapid.IntRange(2, 40).Draw(t, "points") {
			points = append(points, Point{at, rapid.Float64Range(-10, 50).Draw(t, "temperature")})
			if i > 0 {
				span := at.Sub(points[i-1].Time).Hours() / 24
				want += model.Along(points[i-1].TemperatureC, points[i].TemperatureC, span)
			}
			at = at.Add(time.Duration(rapid.Int64Range(1, int64(100*time.Hour)).Draw(t, "step")))
		}
		for _, zone := range zones {
			days, err := ByDay(model, points, zone)
			if err != nil {
				t.Fatal(err)
			}
			if got := days[len(days)-1].Cumulative; math.Abs(got-want) > 1e-9*(1+want) {
				t.Fatalf("sum in %v is %g, want %g", zone, got, want)
			}
		}
	})
}

func TestDailyExtremes(t *testing.T) {
	start := time.Date(2024, 3, 1, 20, 0, 0, 0, time.UTC)
	points := []Point{{start, 20}, {start.Add(2 * time.Hour), 18}, {start.Add(5 * time.Hour), 15}, {start.Add(20 * time.Hour), 25}}
	days, counts := DailyExtremes(points, time.UTC)
	if len(days) != 2 || days[0].MinC != 18 || days[0].MaxC != 20 || days[1].MinC != 15 || days[1].MaxC != 25 {
		t.Errorf("got %v", days)
	}
	if len(counts) != 2 || counts[0] != 2 || counts[1] != 2 {
		t.Errorf("got counts %v", counts)
	}
}

// BenchmarkByDay follows a year of half-minute temperatures.
func BenchmarkByDay(b *testing.B) {
	start := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	points := make([]Point, 365*2880)
	for i := range points {
		points[i] = Point{start.Add(time.Duration(i) * 30 * time.Second), 24 + 8*math.Sin(float64(i)/2880*2*math.Pi)}
	}
	rates := map[string]Rate{"linear": must(NewLinear(10, 32, Horizontal))(b)}
	for _, n := range exampleModels(b) {
		rates[n.Model().Name] = n
	}
	for name, rate := range rates {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := ByDay(rate, points, time.UTC); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Worked out by hand: between 10 and 20 °C the rate rises to 10, by 30 °C it
// has fallen to nothing, and it stays there.
func TestIntermediateFarAboveTheUpperThreshold(t *testing.T) {
	model := must(NewLinear(10, 20, Intermediate))(t)
	near(t, "10 to 40 °C", model.Along(10, 40, 1), 10.0/3, 1e-12)
	near(t, "25 to 45 °C", model.Along(45, 25, 1), 2.5*5/20, 1e-12)
	near(t, "31 to 40 °C", model.Along(31, 40, 1), 0, 1e-12)
}
