package development

import (
	"errors"
	"fmt"
	"math"
)

// Parameter describes one parameter of a rate model.
type Parameter struct {
	// Name is the key in configuration and species files.
	Name string
	// Unit is empty for a pure number.
	Unit    string
	Meaning string
	// Optional parameters have a Default.
	Optional bool
	Default  float64
}

// Model is a nonlinear developmental rate model: a published equation with
// named parameters. Rates are per day, temperatures in °C. Get one with
// ModelNamed.
type Model struct {
	Name string
	// Equation gives the rate r at the temperature T in the parameters' names.
	Equation string
	// Source is the publication of the equation.
	Source     string
	Parameters []Parameter

	rate  func(p []float64, c float64) float64
	check func(p []float64) error
	// lowPower and highPower tell the quadrature how the rate leaves zero at
	// the ends of its range: like the distance to the power of 1/power, or
	// otherwise not smoothly. 0 means smoothly.
	lowPower, highPower float64
	// width returns the width in °C of the sharpest bend; nil where no
	// parameter makes one sharper than 1 °C.
	width func(p []float64) float64
}

// ModelNames lists the nonlinear models.
func ModelNames() []string {
	return []string{"briere-1", "briere-2", "lactin-2", "logan-6", "logan-10", "sharpe-schoolfield", "wang-engel"}
}

// ModelNamed returns the model with a name of ModelNames.
func ModelNamed(name string) (Model, error) {
	switch name {
	case "briere-1":
		return briere1(), nil
	case "briere-2":
		return briere2(), nil
	case "lactin-2":
		return lactin2(), nil
	case "logan-6":
		return logan6(), nil
	case "logan-10":
		return logan10(), nil
	case "sharpe-schoolfield":
		return sharpeSchoolfield(), nil
	case "wang-engel":
		return wangEngel(), nil
	}
	return Model{}, fmt.Errorf("unknown rate model %q (want linear or one of %v)", name, ModelNames())
}

// PerDay evaluates the equation at c °C with parameters in the order of
// m.Parameters. It is 0 where the equation is negative or has no value.
func (m Model) PerDay(parameters []float64, c float64) float64 {
	// Written so that NaN yields 0.
	if r := m.Evaluate(parameters, c); r > 0 && !math.IsInf(r, 1) {
		return r
	}
	return 0
}

// Evaluate is PerDay without the stop at zero, for fits: the equation as it is
// published, which can be negative or have no value (NaN).
func (m Model) Evaluate(parameters []float64, c float64) float64 {
	if len(parameters) != len(m.Parameters) {
		return math.NaN()
	}
	return m.rate(parameters, c)
}

func lower(name string) Parameter {
	return Parameter{Name: name, Unit: "°C", Meaning: "temperature at and below which nothing develops"}
}

func upper(name string) Parameter {
	return Parameter{Name: name, Unit: "°C", Meaning: "temperature at and above which nothing develops"}
}

// belowLower keeps the product of two negative factors from being a rate in
// frost.
func belowLower(c, lower, rate float64) float64 {
	if c < lower {
		return -math.Abs(rate)
	}
	return rate
}

func briere1() Model {
	return Model{
		Name: "briere-1", Equation: "r = a T (T - lower) (upper - T)^(1/2)",
		Source:     "Brière, Pracros, Le Roux and Pierre 1999, Environ. Entomol. 28:22",
		Parameters: []Parameter{{Name: "a", Unit: "1/(d °C^2.5)", Meaning: "scale"}, lower("lower"), upper("upper")},
		rate: func(p []float64, c float64) float64 {
			return belowLower(c, p[1], p[0]*c*(c-p[1])*math.Sqrt(p[2]-c))
		},
		check: func(p []float64) error {
			return errors.Join(positive("a", p[0]), ascending("lower", p[1], "upper", p[2]))
		},
		highPower: 2,
	}
}

func briere2() Model {
	return Model{
		Name: "briere-2", Equation: "r = a T (T - lower) (upper - T)^(1/m)",
		Source: "Brière, Pracros, Le Roux and Pierre 1999, Environ. Entomol. 28:22",
		Parameters: []Parameter{
			{Name: "a", Unit: "1/(d °C^(2+1/m))", Meaning: "scale"}, lower("lower"), upper("upper"),
			{Name: "m", Meaning: "steepness of the fall towards upper"},
		},
		rate: func(p []float64, c float64) float64 {
			return belowLower(c, p[1], p[0]*c*(c-p[1])*math.Pow(p[2]-c, 1/p[3]))
		},
		check: func(p []float64) error {
			return errors.Join(positive("a", p[0]), ascending("lower", p[1], "upper", p[2]), positive("m", p[3]))
		},
		highPower: 4,
	}
}

func lactin2() Model {
	return Model{
		Name: "lactin-2", Equation: "r = exp(rho T) - exp(rho tmax - (tmax - T)/delta) + lambda",
		Source: "Lactin, Holliday, Johnson and Craigen 1995, Environ. Entomol. 24:68",
		Parameters: []Parameter{
			{Name: "rho", Unit: "1/°C", Meaning: "growth of the rate at low temperature"},
			{Name: "tmax", Unit: "°C", Meaning: "temperature at which the rate has fallen to lambda"},
			{Name: "delta", Unit: "°C", Meaning: "width of the fall below tmax"},
			{Name: "lambda", Unit: "1/d", Meaning: "shift that makes a lower threshold"},
		},
		rate: func(p []float64, c float64) float64 {
			return math.Exp(p[0]*c) - math.Exp(p[0]*p[1]-(p[1]-c)/p[2]) + p[3]
		},
		check: func(p []float64) error { return errors.Join(positive("rho", p[0]), positive("delta", p[2])) },
		width: func(p []float64) float64 { return p[2] },
	}
}

func logan6() Model {
	return Model{
		Name: "logan-6", Equation: "r = psi (exp(rho T) - exp(rho tmax - (tmax - T)/delta))",
		Source: "Logan, Wollkind, Hoyt and Tanigoshi 1976, Environ. Entomol. 5:1133, equation 6",
		Parameters: []Parameter{
			{Name: "psi", Unit: "1/d", Meaning: "rate at 0 °C"},
			{Name: "rho", Unit: "1/°C", Meaning: "growth of the rate at low temperature"},
			{Name: "tmax", Unit: "°C", Meaning: "temperature at which the rate is back at zero"},
			{Name: "delta", Unit: "°C", Meaning: "width of the fall below tmax"},
		},
		rate: func(p []float64, c float64) float64 {
			return p[0] * (math.Exp(p[1]*c) - math.Exp(p[1]*p[2]-(p[2]-c)/p[3]))
		},
		check: func(p []float64) error {
			return errors.Join(positive("psi", p[0]), positive("rho", p[1]), positive("delta", p[3]))
		},
		width: func(p []float64) float64 { return p[3] },
	}
}

func logan10() Model {
	return Model{
		Name: "logan-10", Equation: "r = alpha (1/(1 + k exp(-rho T)) - exp(-(tmax - T)/delta))",
		Source: "Logan, Wollkind, Hoyt and Tanigoshi 1976, Environ. Entomol. 5:1133, equation 10",
		Parameters: []Parameter{
			{Name: "alpha", Unit: "1/d", Meaning: "rate that the rise alone would reach"},
			{Name: "rho", Unit: "1/°C", Meaning: "growth of the rate at low temperature"},
			{Name: "k", Meaning: "place of the rise"},
			{Name: "tmax", Unit: "°C", Meaning: "end of the fall"},
			{Name: "delta", Unit: "°C", Meaning: "width of the fall below tmax"},
		},
		rate: func(p []float64, c float64) float64 {
			return p[0] * (1/(1+p[2]*math.Exp(-p[1]*c)) - math.Exp(-(p[3]-c)/p[4]))
		},
		check: func(p []float64) error {
			return errors.Join(positive("alpha", p[0]), positive("rho", p[1]), positive("k", p[2]), positive("delta", p[4]))
		},
		width: func(p []float64) float64 { return p[4] },
	}
}

func sharpeSchoolfield() Model {
	return Model{
		Name: "sharpe-schoolfield",
		Equation: "r = rho25 (K/reference) exp(ha/gas (1/reference - 1/K)) / " +
			"(1 + exp(hl/gas (1/tl - 1/K)) + exp(hh/gas (1/th - 1/K))), K = T + zero",
		Source: "Schoolfield, Sharpe and Magnuson 1981, J. Theor. Biol. 88:719",
		Parameters: []Parameter{
			{Name: "rho25", Unit: "1/d", Meaning: "rate at the reference temperature without inactivation"},
			{Name: "ha", Unit: "cal/mol", Meaning: "enthalpy of activation"},
			{Name: "hl", Unit: "cal/mol", Meaning: "enthalpy change of inactivation by cold, negative"},
			{Name: "tl", Unit: "K", Meaning: "temperature of half inactivation by cold"},
			{Name: "hh", Unit: "cal/mol", Meaning: "enthalpy change of inactivation by heat"},
			{Name: "th", Unit: "K", Meaning: "temperature of half inactivation by heat"},
			// Parameter sets hold only with the constants they were fitted
			// with; the older pair 298 and 273.16 moves the rate by 1 %.
			{Name: "reference", Unit: "K", Meaning: "reference temperature of the parameter set", Optional: true, Default: 298.15},
			{Name: "zero", Unit: "K", Meaning: "0 °C in the parameter set", Optional: true, Default: zeroCelsiusKelvin},
			{Name: "gas", Unit: "cal/(mol K)", Meaning: "gas constant of the parameter set", Optional: true, Default: 1.987},
		},
		rate: func(p []float64, c float64) float64 {
			reference, gas := p[6], p[8]
			k := c + p[7]
			if k <= 0 {
				return 0
			}
			cold := math.Exp(p[2] / gas * (1/p[3] - 1/k))
			heat := math.Exp(p[4] / gas * (1/p[5] - 1/k))
			return p[0] * k / reference * math.Exp(p[1]/gas*(1/reference-1/k)) / (1 + cold + heat)
		},
		check: func(p []float64) error {
			var cold error
			if !(p[2] < 0) {
				cold = fmt.Errorf("hl is %g, want below zero", p[2])
			}
			return errors.Join(positive("rho25", p[0]), positive("ha", p[1]), cold, livingKelvin("tl", p[3]), positive("hh", p[4]),
				livingKelvin("th", p[5]), ascending("tl", p[3], "th", p[5]), positive("reference", p[6]), positive("zero", p[7]), positive("gas", p[8]))
		},
		width: func(p []float64) float64 {
			return p[8] * math.Min(p[3]*p[3]/-p[2], p[5]*p[5]/p[4])
		},
	}
}

func wangEngel() Model {
	return Model{
		Name: "wang-engel",
		Equation: "r = rate (2 x^alpha - x^(2 alpha)), x = (T - lower)/(optimum - lower), " +
			"alpha = ln 2 / ln((upper - lower)/(optimum - lower))",
		Source: "Wang and Engel 1998, Agric. Syst. 58:1",
		Parameters: []Parameter{
			{Name: "rate", Unit: "1/d", Meaning: "rate at the optimum"}, lower("lower"),
			{Name: "optimum", Unit: "°C", Meaning: "temperature of the fastest development"}, upper("upper"),
		},
		rate: func(p []float64, c float64) float64 {
			if c < p[1] {
				return math.NaN()
			}
			alpha := math.Ln2 / math.Log((p[3]-p[1])/(p[2]-p[1]))
			x := math.Pow((c-p[1])/(p[2]-p[1]), alpha)
			return p[0] * x * (2 - x)
		},
		check: func(p []float64) error {
			return errors.Join(positive("rate", p[0]), ascending("lower", p[1], "optimum", p[2]), ascending("optimum", p[2], "upper", p[3]))
		},
		lowPower: 3,
	}
}

const zeroCelsiusKelvin = 273.15

func positive(name string, value float64) error {
	if !(value > 0) {
		return fmt.Errorf("%s is %g, want above zero", name, value)
	}
	return nil
}

// livingKelvin catches temperatures in °C, and exchanged with enthalpies.
func livingKelvin(name string, value float64) error {
	if !(value > 230 && value < 350) {
		return fmt.Errorf("%s is %g, want 230 to 350 K", name, value)
	}
	return nil
}

func ascending(lowName string, low float64, highName string, high float64) error {
	if !(low < high) {
		return fmt.Errorf("%s %g is not below %s %g", lowName, low, highName, high)
	}
	return nil
}
