package development

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Nonlinear is a nonlinear rate model with its parameters. The rate is zero
// outside one range of temperatures. Make one with NewNonlinear.
type Nonlinear struct {
	model      Model
	parameters []float64
	// lowC and highC bound the only range with a rate above zero.
	lowC, highC         float64
	optimumC, optimum   float64
	few, many           rule
	lowPower, highPower float64
	// widthC is the width of the sharpest bend of the rate, at most 1 °C.
	widthC float64
}

// Temperatures between which a rate may be above zero; animals develop
// nowhere else, and a rate that some equation gives there is not used.
const (
	coldestC = -60.0
	hottestC = 100.0
)

// NewNonlinear returns the model with its parameters in the order of
// model.Parameters. It refuses parameters that make no sense on their own, and
// those with which the rate is nowhere above zero or is so in two separate
// ranges, as misprinted ones are.
func NewNonlinear(model Model, parameters []float64) (*Nonlinear, error) {
	if model.rate == nil {
		return nil, errors.New("no rate model")
	}
	if len(parameters) != len(model.Parameters) {
		return nil, fmt.Errorf("%s needs %d parameters, got %d", model.Name, len(model.Parameters), len(parameters))
	}
	for i, v := range parameters {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("%s: %s is %g, not a finite number", model.Name, model.Parameters[i].Name, v)
		}
	}
	if err := model.check(parameters); err != nil {
		return nil, fmt.Errorf("%s: %w", model.Name, err)
	}
	n := &Nonlinear{
		model: model, parameters: append([]float64(nil), parameters...),
		few: newRule(5), many: newRule(16), lowPower: model.lowPower, highPower: model.highPower,
		widthC: 1,
	}
	if model.width != nil {
		n.widthC = math.Min(1, model.width(parameters))
	}
	if err := n.findRange(); err != nil {
		return nil, fmt.Errorf("%s: %w", model.Name, err)
	}
	n.findOptimum()
	return n, nil
}

// Model returns the equation.
func (n *Nonlinear) Model() Model { return n.model }

// Range returns the temperatures in °C between which the rate is above zero.
func (n *Nonlinear) Range() (lowC, highC float64) { return n.lowC, n.highC }

// Optimum returns the temperature in °C of the fastest development, and its
// rate.
func (n *Nonlinear) Optimum() (temperatureC, perDay float64) { return n.optimumC, n.optimum }

// Unit returns "stages": a whole stage is 1.
func (n *Nonlinear) Unit() string { return "stages" }

// PerDay returns the rate in stages a day, 0 outside Range and for a
// temperature that is not a number.
func (n *Nonlinear) PerDay(temperatureC float64) float64 {
	if !(temperatureC > n.lowC && temperatureC < n.highC) {
		return 0
	}
	return n.model.PerDay(n.parameters, temperatureC)
}

// Along returns the stages of a straight line of temperature. Where that moves
// by more than a millionth of a degree, the error is below a ten-millionth of
// what the same time at the optimum would give.
func (n *Nonlinear) Along(fromC, toC, days float64) float64 {
	low, high := math.Min(fromC, toC), math.Max(fromC, toC)
	// Written so that NaN yields 0.
	if !(high > n.lowC && low < n.highC) || !(days > 0) {
		return 0
	}
	if high-low < 1e-9 { // as good as constant
		return n.PerDay(fromC) * days
	}
	a, b := math.Max(low, n.lowC), math.Min(high, n.highC)
	return n.integral(a, b) * days / (high - low)
}

// integral of the rate over temperature, with lowC <= a < b <= highC.
func (n *Nonlinear) integral(a, b float64) float64 {
	// A few points are exact enough over spans small beside the width of the
	// rate's sharpest bend; a wide span is cut.
	narrowC, wideC := 0.1*n.widthC, 2*n.widthC
	span := b - a
	switch {
	case span > wideC:
		middle := (a + b) / 2
		return n.integral(a, middle) + n.integral(middle, b)
	case n.highPower > 0 && n.highC-b < 10*span:
		return n.graded(n.highC, -1, n.highC-b, n.highC-a, n.highPower)
	case n.lowPower > 0 && a-n.lowC < 10*span:
		return n.graded(n.lowC, 1, a-n.lowC, b-n.lowC, n.lowPower)
	case span < narrowC:
		// Gauss, two points.
		offset := span / (2 * math.Sqrt(3))
		return (n.PerDay((a+b)/2-offset) + n.PerDay((a+b)/2+offset)) * span / 2
	}
	return n.few.integrate(func(x float64) float64 { return n.PerDay(a + x*span) }) * span
}

// graded integrates from a distance near to a distance far from end, in the
// power-th root of the distance, in which a rate that leaves zero like a root
// is smooth.
func (n *Nonlinear) graded(end, sign, near, far, power float64) float64 {
	from, to := math.Pow(near, 1/power), math.Pow(far, 1/power)
	return n.many.integrate(func(x float64) float64 {
		s := from + x*(to-from)
		inner := math.Pow(s, power-1)
		return n.PerDay(end+sign*inner*s) * power * inner
	}) * (to - from)
}

// rule is a Gauss-Legendre rule on 0 to 1.
type rule struct{ at, weight []float64 }

func newRule(points int) rule {
	r := rule{make([]float64, points), make([]float64, points)}
	quad.Legendre{}.FixedLocations(r.at, r.weight, 0, 1)
	return r
}

func (r rule) integrate(f func(float64) float64) float64 {
	var sum float64
	for i, x := range r.at {
		sum += r.weight[i] * f(x)
	}
	return sum
}

// findRange locates where the rate is above zero, on a grid fine enough that
// no rate a species has could hide between two of its points.
func (n *Nonlinear) findRange() error {
	const stepC = 0.1
	steps := int(math.Round((hottestC - coldestC) / stepC))
	above := func(c float64) bool { return n.model.PerDay(n.parameters, c) > 0 }
	ranges := 0
	was := above(coldestC)
	if was {
		n.lowC = coldestC
		ranges = 1
	}
	n.highC = hottestC
	for i := 1; i <= steps; i++ {
		c := coldestC + float64(i)*stepC
		is := above(c)
		switch {
		case is && !was:
			ranges++
			n.lowC = boundary(c-stepC, c, above)
		case was && !is:
			n.highC = boundary(c, c-stepC, above)
		}
		was = is
	}
	switch ranges {
	case 0:
		return errors.New("with these parameters the rate is nowhere above zero")
	case 1:
		return nil
	}
	return fmt.Errorf("with these parameters the rate is above zero in %d separate ranges of temperature", ranges)
}

// boundary halves the way between a temperature without and one with a rate
// above zero until nothing is left between.
func boundary(without, with float64, above func(float64) bool) float64 {
	for {
		middle := (without + with) / 2
		if middle == without || middle == with {
			return without
		}
		if above(middle) {
			with = middle
		} else {
			without = middle
		}
	}
}

// findOptimum takes the best of a grid, then narrows by golden section.
func (n *Nonlinear) findOptimum() {
	const parts = 2000
	step := (n.highC - n.lowC) / parts
	best := 1
	for i := 2; i < parts; i++ {
		if n.PerDay(n.lowC+float64(i)*step) > n.PerDay(n.lowC+float64(best)*step) {
			best = i
		}
	}
	a, b := n.lowC+float64(best-1)*step, n.lowC+float64(best+1)*step
	for b-a > 1e-9 {
		x, y := b-(b-a)/math.Phi, a+(b-a)/math.Phi
		if n.PerDay(x) < n.PerDay(y) {
			a = x
		} else {
			b = y
		}
	}
	n.optimumC = (a + b) / 2
	n.optimum = n.PerDay(n.optimumC)
}
