package development

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var _ Rate = (*Nonlinear)(nil)

func model(t testing.TB, name string, parameters ...float64) *Nonlinear {
	t.Helper()
	m := must(ModelNamed(name))(t)
	for _, p := range m.Parameters[min(len(parameters), len(m.Parameters)):] {
		if !p.Optional {
			t.Fatalf("%s: no value for %s", name, p.Name)
		}
		parameters = append(parameters, p.Default)
	}
	return must(NewNonlinear(m, parameters))(t)
}

// TestPublishedRates evaluates published parameter sets. The rates follow from
// the published equations and parameters; they are computed independently and
// rounded to five digits.
func TestPublishedRates(t *testing.T) {
	fitted := []float64{15, 20, 25, 28, 30, 32, 34}
	for _, tt := range []struct {
		source, model string
		parameters    []float64
		c, want       []float64
	}{
		// Cydia pomonella: Aghdam et al. 2009, Environ. Entomol. 38.
		{"Aghdam egg", "briere-1", []float64{1.453e-4, 9.645, 37.6185}, fitted, []float64{.05551, .12631, .19813, .23160, .24490, .24638, .22887}},
		{"Aghdam egg", "briere-2", []float64{2.634e-4, 7.9722, 34.444, 4.0547}, fitted, []float64{.05773, .12242, .19508, .23387, .25146, .25246, .19080}},
		{"Aghdam egg", "logan-6", []float64{.0613, .1689, 36.6712, 5.7836}, fitted, []float64{.06416, .11599, .19082, .23672, .25633, .25262, .20332}},
		{"Aghdam egg", "logan-10", []float64{.4792, .1866, 105.4232, 40.0964, 6.2452}, fitted, []float64{.05599, .11678, .19771, .23667, .24944, .24657, .22379}},
		{"Aghdam larva", "briere-1", []float64{4.022e-5, 8.8676, 36.3525}, fitted, []float64{.01710, .03621, .05465, .06227, .06427, .06211, .05271}},
		{"Aghdam larva", "logan-10", []float64{.2292, .1574, 91.5731, 38.8673, 6.6197}, fitted, []float64{.01755, .03322, .05394, .06392, .06625, .06250, .04995}},
		{"Aghdam pupa", "briere-1", []float64{5.1e-5, 9.8042, 37.2604}, fitted, []float64{.01875, .04321, .06784, .07907, .08326, .08308, .07576}},
		{"Aghdam pupa", "logan-6", []float64{.0359, .1711, 36.5002, 5.7683}, fitted, []float64{.02218, .04027, .06641, .08229, .08880, .08676, .06802}},
		{"Aghdam all", "logan-6", []float64{.0118, .1704, 36.1906, 5.7743}, fitted, []float64{.00870, .01569, .02560, .03138, .03344, .03191, .02352}},
		{"Aghdam larva", "briere-2", []float64{6.6e-5, 6.5188, 33.9961, 3.9298}, []float64{34}, []float64{0}},
		// Helicoverpa armigera: Mironidis and Savopoulou-Soultani 2008,
		// Environ. Entomol. 37:16. At 40 °C the equation gives -0.00125.
		{"Mironidis egg", "lactin-2", []float64{.0165, 42.024, 2.0503, -1.1906}, []float64{15, 20, 25, 30, 35, 37.5, 40}, []float64{.09022, .20032, .31949, .44422, .52592, .44578, 0}},
		{"Mironidis larva", "lactin-2", []float64{.0042, 43.1521, 1.8197, -1.0480}, []float64{20, 25, 30, 35}, []float64{.03963, .06265, .08541, .09677}},
		{"Mironidis pupa", "lactin-2", []float64{.0053, 43.3886, 1.6854, -1.0674}, []float64{20, 25, 30, 35}, []float64{.04442, .07426, .10449, .12774}},
		// Helicoverpa armigera: Noor-ul-Ane et al. 2018, Bull. Entomol. Res. 108:295.
		{"Noor-ul-Ane egg to adult", "briere-2", []float64{3.442e-5, 8.205, 38.657, 3.910}, []float64{20, 25, 30, 35}, []float64{.01716, .02820, .03909, .04497}},
		// Brière et al. 1999, Environ. Entomol. 28:22.
		{"Lobesia botrana pupa", "briere-1", []float64{.95e-4, 11.55, 36.41}, []float64{20, 25, 30}, []float64{.06504, .10790, .13313}},
		{"Lobesia botrana egg", "briere-1", []float64{1.7e-4, 10.55, 34}, []float64{25, 30}, []float64{.18424, .19839}},
		{"Helicoverpa zea egg", "briere-1", []float64{2.25e-4, 10.98, 39.93}, []float64{25, 30}, []float64{.30472, .40457}},
		// Choristoneura occidentalis egg: Régnière et al. 2012, J. Insect
		// Physiol. 58:634, with either convention for the reference.
		{"Régnière", "sharpe-schoolfield", []float64{.158, 11443, -59715, 283.9, 99958, 308.22}, []float64{10, 15, 20, 25, 30, 33, 35}, []float64{.023210, .064563, .107899, .156376, .207157, .201748, .155634}},
		{"Régnière", "sharpe-schoolfield", []float64{.158, 11443, -59715, 283.9, 99958, 308.22, 298, 273.16}, []float64{25, 30}, []float64{.158091, .209355}},
		// Wang and Engel 1998, the equation alone.
		{"beta", "wang-engel", []float64{1, 0, 24, 35}, []float64{10, 20, 24, 30, 34, 35}, []float64{.36034, .91899, 1, .74321, .19669, 0}},
		{"beta", "wang-engel", []float64{1, 10, 30, 36}, []float64{15, 20, 25, 33, 35}, []float64{.05068, .29476, .71660, .80052, .35497}},
	} {
		n := model(t, tt.model, tt.parameters...)
		for i, c := range tt.c {
			near(t, tt.source+" "+tt.model, n.PerDay(c), tt.want[i], 1e-5)
		}
		if n.Unit() != "stages" {
			t.Errorf("%s: unit %q", tt.model, n.Unit())
		}
	}
}

func TestOptimum(t *testing.T) {
	// Brière et al. 1999 give the optimum in closed form.
	briere := func(m, lower, upper float64) float64 {
		return (2*m*upper + (m+1)*lower + math.Sqrt(4*m*m*upper*upper+(m+1)*(m+1)*lower*lower-4*m*m*lower*upper)) / (4*m + 2)
	}
	for _, tt := range []struct {
		n    *Nonlinear
		want float64
	}{
		{model(t, "briere-1", 1.453e-4, 9.645, 37.6185), 31.2354},
		{model(t, "briere-1", 1.453e-4, 9.645, 37.6185), briere(2, 9.645, 37.6185)},
		{model(t, "briere-2", 2.634e-4, 7.9722, 34.444, 4.0547), 31.1646},
		{model(t, "briere-2", 3.442e-5, 8.205, 38.657, 3.910), 34.8014},
		{model(t, "wang-engel", 0.1, 0, 24, 35), 24},
		// Where the derivative of the equation is zero.
		{model(t, "lactin-2", .0165, 42.024, 2.0503, -1.1906), 42.024 + math.Log(.0165*2.0503)/(1/2.0503-.0165)},
		{model(t, "logan-6", .0613, .1689, 36.6712, 5.7836), 36.6712 + math.Log(.1689*5.7836)/(1/5.7836-.1689)},
	} {
		c, rate := tt.n.Optimum()
		near(t, tt.n.Model().Name+" optimum", c, tt.want, 1e-4)
		near(t, tt.n.Model().Name+" fastest", rate, tt.n.PerDay(tt.want), 1e-9)
	}
}

func TestRange(t *testing.T) {
	// Lactin-2 has its lower zero near ln(-lambda)/rho.
	for _, tt := range []struct{ rho, tmax, delta, lambda, want float64 }{
		{.0165, 42.024, 2.0503, -1.1906, 10.573}, {.0042, 43.1521, 1.8197, -1.0480, 11.163}, {.0053, 43.3886, 1.6854, -1.0674, 12.307},
	} {
		low, high := model(t, "lactin-2", tt.rho, tt.tmax, tt.delta, tt.lambda).Range()
		near(t, "lower zero", low, tt.want, 2e-3)
		if high >= tt.tmax || high < 38 {
			t.Errorf("upper zero is %g, want between 38 and %g", high, tt.tmax)
		}
	}
	low, high := model(t, "briere-1", 1e-4, 10, 36).Range()
	near(t, "lower", low, 10, 1e-12)
	near(t, "upper", high, 36, 1e-12)
}

// tanhSinh integrates f over [a, b]; f may be singular at the ends.
func tanhSinh(f func(float64) float64, a, b float64) float64 {
	const h = 1.0 / 256
	var sum float64
	for k := -4 * 256; k <= 4*256; k++ {
		u := math.Pi / 2 * math.Sinh(float64(k)*h)
		weight := math.Pi / 2 * math.Cosh(float64(k)*h) / (math.Cosh(u) * math.Cosh(u))
		// The distance to the nearer end, without cancellation.
		edge := (b - a) / (1 + math.Exp(2*math.Abs(u)))
		x := a + edge
		if u > 0 {
			x = b - edge
		}
		sum += weight * f(x)
	}
	return sum * h * (b - a) / 2
}

func exampleModels(t testing.TB) []*Nonlinear {
	return []*Nonlinear{
		model(t, "briere-1", 1.453e-4, 9.645, 37.6185),
		model(t, "briere-1", 1.453e-4, -3, 37.6185),
		model(t, "briere-2", 2.634e-4, 7.9722, 34.444, 4.0547),
		model(t, "briere-2", 2.634e-4, 7.9722, 34.444, 1.3),
		model(t, "briere-2", 2.634e-4, 7.9722, 34.444, 20),
		model(t, "lactin-2", .0165, 42.024, 2.0503, -1.1906),
		model(t, "lactin-2", .0053, 43.3886, 1, -1.0674),
		model(t, "lactin-2", .0053, 43.3886, .2, -1.0674),
		model(t, "logan-6", .0613, .1689, 36.6712, 5.7836),
		model(t, "logan-10", .4792, .1866, 105.4232, 40.0964, 6.2452),
		model(t, "sharpe-schoolfield", .158, 11443, -59715, 283.9, 99958, 308.22),
		model(t, "sharpe-schoolfield", .158, 11443, -400000, 283.9, 600000, 308.22),
		model(t, "wang-engel", .2, 0, 24, 35),
		model(t, "wang-engel", .2, 8, 30, 33),
		model(t, "wang-engel", .2, 8, 15, 36),
	}
}

func TestAlongError(t *testing.T) {
	models := exampleModels(t)
	worst := make([]float64, len(models))
	rapid.Check(t, func(t *rapid.T) {
		i := rapid.IntRange(0, len(models)-1).Draw(t, "model")
		n := models[i]
		low, high := n.Range()
		// Half of the lines begin at or near an end of the range.
		from := rapid.OneOf(
			rapid.Float64Range(-20, 55), rapid.SampledFrom([]float64{low, high}),
			rapid.Float64Range(high-0.5, high+0.5), rapid.Float64Range(low-0.5, low+0.5),
		).Draw(t, "from")
		to := from + rapid.OneOf(
			rapid.Float64Range(-0.01, 0.01), rapid.Float64Range(-0.3, 0.3), rapid.Float64Range(-3, 3), rapid.Float64Range(-40, 40),
		).Draw(t, "rise")
		got := n.Along(from, to, 1)
		a, b := math.Max(math.Min(from, to), low), math.Min(math.Max(from, to), high)
		var want float64
		switch {
		case math.Abs(to-from) < 1e-6:
			return // rounding of the temperature itself decides
		case a < b:
			want = tanhSinh(n.PerDay, a, b) / math.Abs(to-from)
		}
		_, fastest := n.Optimum()
		worst[i] = math.Max(worst[i], math.Abs(got-want)/fastest)
		if math.Abs(got-want) > 1e-7*fastest {
			t.Fatalf("%s %v from %g to %g: %.12g, want %.12g", n.Model().Name, n.parameters, from, to, got, want)
		}
		if back := n.Along(to, from, 1); back != got {
			t.Fatalf("the way back is %g, not %g", back, got)
		}
	})
	for i, n := range models {
		t.Logf("%-18s greatest error %.2g of the fastest rate", n.Model().Name, worst[i])
	}
}

// The ways in which a line is integrated, each for every model: at both ends of
// the range and across them, short, middling and long.
func TestAlongEveryWay(t *testing.T) {
	for _, n := range exampleModels(t) {
		low, high := n.Range()
		optimum, fastest := n.Optimum()
		for _, line := range [][2]float64{
			{low, low + 0.01}, {low, low + 0.5}, {low + 0.1, low + 0.3}, {low + 0.3, low + 3}, {low - 1, low + 1},
			{high - 0.01, high}, {high - 0.5, high}, {high - 0.3, high - 0.1}, {high - 3, high - 0.3}, {high - 1, high + 1},
			{optimum - 0.01, optimum + 0.01}, {optimum - 0.3, optimum + 0.2}, {optimum - 2, optimum + 1}, {low - 5, high + 5},
			{low + 2, low + 2.05}, {low + 2, low + 3}, {high - 3, high - 2.95},
		} {
			a, b := math.Max(line[0], low), math.Min(line[1], high)
			want := tanhSinh(n.PerDay, a, b) / (line[1] - line[0])
			near(t, fmt.Sprintf("%s from %g to %g", n.Model().Name, line[0], line[1]), n.Along(line[0], line[1], 1), want, 1e-7*fastest)
		}
	}
}

func TestNonlinearProperties(t *testing.T) {
	models := exampleModels(t)
	rapid.Check(t, func(t *rapid.T) {
		n := models[rapid.IntRange(0, len(models)-1).Draw(t, "model")]
		optimum, fastest := n.Optimum()
		from := rapid.Float64Range(-20, 60).Draw(t, "from")
		to := rapid.Float64Range(-20, 60).Draw(t, "to")
		days := rapid.Float64Range(0.0001, 3).Draw(t, "days")
		share := rapid.Float64Range(0.001, 0.999).Draw(t, "share")
		whole := n.Along(from, to, days)
		middle := from + share*(to-from)
		parts := n.Along(from, middle, share*days) + n.Along(middle, to, (1-share)*days)
		if math.Abs(whole-parts) > 1e-7*fastest*days {
			t.Fatalf("whole %g, parts %g", whole, parts)
		}
		if whole < 0 || whole > fastest*days*(1+1e-7) {
			t.Fatalf("%g in %g days, the fastest is %g a day", whole, days, fastest)
		}
		a, b := math.Min(from, optimum), math.Min(to, optimum)
		warmer := rapid.Float64Range(0, 10).Draw(t, "warmer")
		warm := n.Along(math.Min(a+warmer, optimum), math.Min(b+warmer, optimum), days)
		if warm < n.Along(a, b, days)-1e-7*fastest*days {
			t.Fatalf("up to the optimum, %g warmer than %g to %g is slower", warmer, a, b)
		}
	})
}

func TestOddTemperatures(t *testing.T) {
	rates := map[string]Rate{}
	for _, n := range exampleModels(t) {
		rates[n.Model().Name] = n
	}
	for _, cutoff := range []Cutoff{Horizontal, Vertical, Intermediate} {
		rates[cutoff.String()] = must(NewLinear(10, 30, cutoff))(t)
	}
	for name, rate := range rates {
		for _, c := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -300, 1e300} {
			if got := rate.PerDay(c); math.IsNaN(got) || got < 0 || math.IsInf(got, 0) {
				t.Errorf("%s at %g: %g", name, c, got)
			}
			for _, got := range []float64{rate.Along(20, c, 1), rate.Along(c, 20, 1), rate.Along(c, c, 1)} {
				if math.IsNaN(got) || got < 0 || math.IsInf(got, 0) {
					t.Errorf("%s between 20 and %g: %g", name, c, got)
				}
			}
			// A jump to or from infinity gives nothing.
			if math.IsInf(c, 0) && (rate.Along(20, c, 1) != 0 || rate.Along(-c, c, 1) != 0) {
				t.Errorf("%s between 20 and %g: %g", name, c, rate.Along(20, c, 1))
			}
			for _, days := range []float64{math.NaN(), -1, 0} {
				if got := rate.Along(20, 21, days); got != 0 {
					t.Errorf("%s for %g days: %g, want 0", name, days, got)
				}
			}
		}
	}
}

func TestNewRate(t *testing.T) {
	for name, tt := range map[string]struct {
		text string
		c    float64
		want float64
	}{
		"linear":   {"model: linear\nparameters: {lower: 10, upper: 32}\ncutoff: intermediate", 35, 19},
		"no upper": {"model: linear\nparameters: {lower: 10}", 45, 35},
		"briere":   {"model: briere-1\nparameters: {a: 1.453e-4, lower: 9.645, upper: 37.6185}", 25, .19813},
		"old reference": {"model: sharpe-schoolfield\nparameters: {rho25: .158, ha: 11443, hl: -59715, tl: 283.9, hh: 99958, th: 308.22, " +
			"reference: 298, zero: 273.16}", 25, .158091},
	} {
		var spec RateSpec
		if err := yaml.UnmarshalWithOptions([]byte(tt.text), &spec, yaml.Strict()); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		near(t, name, must(NewRate(spec))(t).PerDay(tt.c), tt.want, 1e-5)
		var back RateSpec
		if err := json.Unmarshal(must(json.Marshal(spec))(t), &back); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if diff := cmp.Diff(spec, back); diff != "" {
			t.Errorf("%s: through JSON (-want +got):\n%s", name, diff)
		}
	}
}

func TestNewRateRefuses(t *testing.T) {
	type parameters = map[string]float64
	for _, tt := range []struct {
		spec RateSpec
		want string
	}{
		{RateSpec{}, `unknown rate model ""`},
		{RateSpec{Model: "cubic"}, `unknown rate model "cubic"`},
		{RateSpec{Model: "linear"}, "parameter lower is missing"},
		{RateSpec{Model: "linear", Parameters: parameters{"lower": 10, "uper": 30}}, "unknown parameter uper (want lower, upper)"},
		{RateSpec{Model: "linear", Parameters: parameters{"lower": 30, "upper": 10}}, "not above"},
		{RateSpec{Model: "briere-1", Parameters: parameters{"a": 1e-4, "lower": 10}}, "parameter upper is missing"},
		{RateSpec{Model: "briere-1", Parameters: parameters{"a": 1e-4, "lower": 36, "upper": 10}}, "lower 36 is not below upper 10"},
		{RateSpec{Model: "briere-1", Parameters: parameters{"a": -1e-4, "lower": 10, "upper": 36}}, "a is -0.0001, want above zero"},
		{RateSpec{Model: "briere-1", Parameters: parameters{"a": math.NaN(), "lower": 10, "upper": 36}}, "a is NaN"},
		{RateSpec{Model: "briere-1", Cutoff: Vertical, Parameters: parameters{"a": 1, "lower": 10, "upper": 36}}, "no cut-off"},
		{RateSpec{Model: "briere-2", Parameters: parameters{"a": 1, "lower": 10, "upper": 36, "m": 0}}, "m is 0"},
		{RateSpec{Model: "lactin-2", Parameters: parameters{"rho": .01, "tmax": 40, "delta": 2, "lambda": -9}}, "nowhere above zero"},
		{RateSpec{Model: "logan-6", Parameters: parameters{"psi": 0, "rho": .1, "tmax": 40, "delta": 2}}, "psi is 0"},
		{RateSpec{Model: "logan-10", Parameters: parameters{"alpha": 1, "rho": -.1, "k": 90, "tmax": 40, "delta": 2}}, "rho is -0.1"},
		// As stored with TH and HH swapped in a compiled database.
		{RateSpec{Model: "sharpe-schoolfield", Parameters: parameters{"rho25": .1, "ha": 1e4, "hl": -5e4, "tl": 284, "hh": 308, "th": 1e5}}, "th is 100000, want 230 to 350 K"},
		{RateSpec{Model: "sharpe-schoolfield", Parameters: parameters{"rho25": .1, "ha": 1e4, "hl": 5e4, "tl": 284, "hh": 1e5, "th": 308}}, "hl is 50000"},
		{RateSpec{Model: "sharpe-schoolfield", Parameters: parameters{"rho25": .1, "ha": 1e4, "hl": 0, "tl": 284, "hh": 1e5, "th": 308}}, "hl is 0"},
		{RateSpec{Model: "briere-1", Parameters: parameters{"a": 1e-4, "lower": 10, "upper": 10}}, "lower 10 is not below upper 10"},
		{RateSpec{Model: "wang-engel", Parameters: parameters{"rate": 1, "lower": 10, "optimum": 40, "upper": 36}}, "optimum 40 is not below upper 36"},
	} {
		rate, err := NewRate(tt.spec)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: got %v, %v; want %q", tt.spec, rate, err, tt.want)
		}
	}
	if _, err := NewNonlinear(Model{}, nil); err == nil {
		t.Error("no model: want an error")
	}
	if _, err := NewNonlinear(briere1(), []float64{1}); err == nil {
		t.Error("too few parameters: want an error")
	}
	if got := briere1().PerDay([]float64{1}, 20); got != 0 {
		t.Errorf("too few parameters: rate %g", got)
	}
}

func TestModelsAreDescribed(t *testing.T) {
	for _, name := range ModelNames() {
		m := must(ModelNamed(name))(t)
		if m.Name != name || m.Source == "" || m.Equation == "" {
			t.Errorf("%s: %+v", name, m)
		}
		for _, p := range m.Parameters {
			if p.Name == "" || p.Meaning == "" || !strings.Contains(m.Equation, p.Name) {
				t.Errorf("%s: parameter %+v is not in %q", name, p, m.Equation)
			}
		}
	}
}

// The bend of Schoolfield's rate is R T²/H wide, where cold or heat makes half
// of the enzyme inactive, whichever is sharper; and no wider than 1 °C counts.
func TestWidthOfTheSharpestBend(t *testing.T) {
	for _, c := range []struct{ cold, heat, gas, want float64 }{
		{-400000, 600000, 1.987, 0.31461},
		{-800000, 300000, 1.987, 0.20019},
		{-800000, 300000, 1, 0.10075},
		{-59715, 99958, 1.987, 1},
	} {
		n := model(t, "sharpe-schoolfield", .158, 11443, c.cold, 283.9, c.heat, 308.22, 298.15, 273.15, c.gas)
		near(t, "width", n.widthC, c.want, 1e-5)
	}
}

// What does not change goes on for as long as it lasts.
func TestAlongALevelLine(t *testing.T) {
	for _, n := range exampleModels(t) {
		near(t, n.Model().Name, n.Along(25, 25, 3), 3*n.PerDay(25), 1e-12)
	}
}

func TestKaufmannEffect(t *testing.T) {
	start := time.Date(2024, 6, 1, 0, 0, 0, 0, time.UTC)
	// Two days between 10 and 30 °C: straight lines, mean 20 °C.
	points := []Point{
		{start, 10}, {start.Add(12 * time.Hour), 30}, {start.Add(24 * time.Hour), 10},
		{start.Add(36 * time.Hour), 30}, {start.Add(48 * time.Hour), 10},
	}
	linear := must(NewLinear(5, NoUpper, Horizontal))(t)
	k := must(KaufmannEffect(linear, points, time.UTC))(t)
	near(t, "a straight rate has no effect", k.Relative(), 0, 1e-12)
	if k.Days != 2 {
		t.Errorf("got %d days, want 2", k.Days)
	}
	// Above a threshold of 20 °C means see nothing; half of each day has a
	// mean excess of 5.
	k = must(KaufmannEffect(must(NewLinear(20, NoUpper, Horizontal))(t), points, time.UTC))(t)
	near(t, "along the curve", k.Integrated, 5, 1e-12)
	near(t, "at means", k.AtMeans, 0, 1e-12)
	near(t, "relative", k.Relative(), -1, 1e-12)
	// Brière's rate bends up in the cold, where means underestimate, and
	// down near its optimum, where they overestimate (Jensen).
	briere := model(t, "briere-1", 1.453e-4, 9.645, 37.6185)
	cold := must(KaufmannEffect(briere, []Point{{start, 6}, {start.Add(24 * time.Hour), 16}}, time.UTC))(t)
	hot := must(KaufmannEffect(briere, []Point{{start, 27}, {start.Add(24 * time.Hour), 37}}, time.UTC))(t)
	if !(cold.Relative() < -.1 && hot.Relative() > .05) {
		t.Errorf("relative effect is %g in the cold and %g in the heat", cold.Relative(), hot.Relative())
	}
	// Six hours at 26 °C, and no more of that day, are a quarter of a day.
	k = must(KaufmannEffect(linear, []Point{{start, 26}, {start.Add(6 * time.Hour), 26}}, time.UTC))(t)
	near(t, "part of a day along the curve", k.Integrated, 21.0/4, 1e-12)
	near(t, "part of a day at means", k.AtMeans, 21.0/4, 1e-12)
	if got := (Kaufmann{}).Relative(); got != 0 {
		t.Errorf("nothing developed: %g, want 0", got)
	}
	if _, err := KaufmannEffect(briere, points[:1], time.UTC); err == nil {
		t.Error("one point: want an error")
	}
}
