package fitting

import (
	"errors"
	"fmt"
	"math"
)

// ErrNotFaster is returned where development does not get faster with
// temperature, so that no threshold and requirement follow.
var ErrNotFaster = errors.New("development is not faster at higher temperature in these durations")

// Line is a straight line through durations.
type Line struct {
	Estimate
	// Intercept and Slope of the line with their standard errors: rate over
	// temperature for Regression, D T over D for ReducedMajorAxis.
	Intercept, InterceptSE, Slope, SlopeSE float64
	// ResidualVariance is the residual mean square of the regression.
	ResidualVariance float64
	// R is the correlation of the two quantities.
	R float64
	N int

	meanX, squaresX float64
}

// Campbell fits the line 1/D = a + b T by least squares and returns the
// threshold -a/b and the requirement 1/b with the standard errors of Campbell,
// Frazer, Gilbert, Gutierrez and Mackauer 1974, J. Appl. Ecol. 11:431:
//
//	SE(K) = SE(b)/b²
//	SE(t) = r̄/b sqrt(s²/(N r̄²) + (SE(b)/b)²)
//
// At least three durations are needed, at three temperatures. Only
// temperatures of the straight part of the rate belong in it.
func Campbell(observations []Observation) (Line, error) {
	if err := check(observations, 3); err != nil {
		return Line{}, fmt.Errorf("regression of the rate: %w", err)
	}
	var m moments
	for _, o := range observations {
		m.add(o.TemperatureC, 1/o.Days)
	}
	l := m.line()
	l.Method = Regression
	l.Slope = m.sxy / m.sxx
	if !(l.Slope > 0) {
		return Line{}, fmt.Errorf("regression of the rate: %w", ErrNotFaster)
	}
	l.Intercept = m.y - l.Slope*m.x
	l.ResidualVariance = math.Max(0, m.syy-l.Slope*m.sxy) / float64(l.N-2)
	l.SlopeSE = math.Sqrt(l.ResidualVariance / m.sxx)
	l.InterceptSE = math.Sqrt(l.ResidualVariance * (1/float64(l.N) + m.x*m.x/m.sxx))
	b := l.Slope
	l.ThresholdC = -l.Intercept / b
	l.Requirement = 1 / b
	slopeVariance := l.SlopeSE * l.SlopeSE
	l.ThresholdVariance = (l.ResidualVariance/float64(l.N) + m.y*m.y*slopeVariance/(b*b)) / (b * b)
	l.RequirementVariance = slopeVariance / (b * b * b * b)
	// t = T̄ - r̄/b, and the mean rate is independent of the slope.
	l.Covariance = -m.y / (b * b) * slopeVariance / (b * b)
	return l, nil
}

// IkemotoTakai fits D T = K + t D by the reduced major axis (Ikemoto and Takai
// 2000, Environ. Entomol. 29:671), in which cold, slow and warm, fast
// durations weigh alike. Its standard errors are those of the regression line
// through the same points, as is usual for this axis.
func IkemotoTakai(observations []Observation) (Line, error) {
	if err := check(observations, 3); err != nil {
		return Line{}, fmt.Errorf("reduced major axis: %w", err)
	}
	var m moments
	var squares float64
	for _, o := range observations {
		m.add(o.Days, o.Days*o.TemperatureC)
		squares += o.Days * o.Days
	}
	l := m.line()
	l.Method = ReducedMajorAxis
	l.Slope = math.Sqrt(m.syy / m.sxx)
	l.Intercept = m.y - l.Slope*m.x
	// Durations that do not fall with temperature leave no slope or a
	// requirement below zero.
	if !(m.sxx > 0 && m.sxy > 0 && l.Intercept > 0) {
		return Line{}, fmt.Errorf("reduced major axis: %w", ErrNotFaster)
	}
	l.SlopeSE = l.Slope * math.Sqrt(math.Max(0, 1-l.R*l.R)/float64(l.N-2))
	l.InterceptSE = l.SlopeSE * math.Sqrt(squares/float64(l.N))
	l.ThresholdC, l.Requirement = l.Slope, l.Intercept
	l.ThresholdVariance = l.SlopeSE * l.SlopeSE
	l.RequirementVariance = l.InterceptSE * l.InterceptSE
	l.Covariance = -m.x * l.ThresholdVariance
	return l, nil
}

// Rate returns the rate of a Regression line at a temperature and the standard
// error of its mean there.
func (l Line) Rate(temperatureC float64) (perDay, standardError float64) {
	if l.Method != Regression {
		days, se := l.Days(temperatureC)
		if math.IsInf(days, 1) {
			return 0, math.NaN()
		}
		return 1 / days, se / (days * days)
	}
	away := temperatureC - l.meanX
	return l.Intercept + l.Slope*temperatureC,
		math.Sqrt(l.ResidualVariance * (1/float64(l.N) + away*away/l.squaresX))
}

// moments gathers means and sums of squares about them (Welford 1962,
// Technometrics 4:419).
type moments struct {
	n             int
	x, y          float64
	sxx, sxy, syy float64
}

func (m *moments) add(x, y float64) {
	m.n++
	dx, dy := x-m.x, y-m.y
	m.x += dx / float64(m.n)
	m.y += dy / float64(m.n)
	m.sxx += dx * (x - m.x)
	m.sxy += dx * (y - m.y)
	m.syy += dy * (y - m.y)
}

func (m *moments) line() Line {
	return Line{N: m.n, R: m.sxy / math.Sqrt(m.sxx*m.syy), meanX: m.x, squaresX: m.sxx}
}
