package development

import (
	"fmt"
	"math"
	"time"
)

// Method is a way to get degree-days from temperatures. The zero value is
// Observed.
type Method uint8

// The methods. All but Observed take only the minimum and maximum of a day.
const (
	// Observed follows the recorded temperatures themselves.
	Observed Method = iota
	// Average is the rate at the mean of minimum and maximum (method 1 of
	// McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291).
	Average
	// AverageClipped is the mean of the rates at minimum and maximum, which
	// clips both to the thresholds first (their method 2).
	AverageClipped
	// SingleSine is a sine through minimum and maximum (Baskerville and Emin
	// 1969, Ecology 50:514; with an upper threshold Allen 1976, Environ.
	// Entomol. 5:388).
	SingleSine
	// DoubleSine is half a sine from today's minimum to the maximum and half
	// a sine from there to tomorrow's minimum.
	DoubleSine
	// SingleTriangle is straight lines from minimum to maximum and back
	// (Zalom et al. 1983, UC Leaflet 21373).
	SingleTriangle
	// DoubleTriangle is a straight line from today's minimum to the maximum
	// and one from there to tomorrow's minimum.
	DoubleTriangle
)

var methodNames = [...]string{
	"observed", "average", "average-clipped", "single-sine", "double-sine", "single-triangle", "double-triangle",
}

// String returns the name used on the command line.
func (m Method) String() string {
	if int(m) < len(methodNames) {
		return methodNames[m]
	}
	return fmt.Sprintf("method %d", uint8(m))
}

// ParseMethod is the inverse of Method.String.
func ParseMethod(name string) (Method, error) {
	for i, n := range methodNames {
		if n == name {
			return Method(i), nil
		}
	}
	return 0, fmt.Errorf("unknown method %q", name)
}

// Double reports whether the method also needs the next day's minimum.
func (m Method) Double() bool { return m == DoubleSine || m == DoubleTriangle }

// Extremes are the lowest and highest temperature of a day.
type Extremes struct {
	// Date is the day; only its calendar date counts.
	Date       time.Time
	MinC, MaxC float64
}

// Day is the physiological time of one day.
type Day struct {
	// Date is midnight at the start of the day.
	Date time.Time
	// Progress is what passed on the day, Cumulative what passed since the
	// first.
	Progress, Cumulative float64
	// Covered is the time of the day for which there were temperatures.
	Covered time.Duration
	// Single is set where a double method had no minimum of the next day and
	// took the day's own on both sides, as the single method does.
	Single bool
}

// Daily returns the degree-days of each day by a method that needs only daily
// extremes. Days must be in order; where a day is missing nothing is counted
// for it. The last day of a double method, and any before a missing day, is
// computed by the single method and marked.
//
// With an intermediate cut-off the published forms are not stopped at zero
// within a day; the sum of a day is.
func (l Linear) Daily(method Method, days []Extremes) ([]Day, error) {
	result := make([]Day, 0, len(days))
	var sum float64
	for i, d := range days {
		if err := d.check(); err != nil {
			return nil, err
		}
		if i > 0 && !days[i-1].before(d) {
			return nil, fmt.Errorf("%s does not come after %s", d.Date.Format(time.DateOnly), days[i-1].Date.Format(time.DateOnly))
		}
		nextMinC := d.MinC
		single := method.Double()
		if i+1 < len(days) && days[i+1].follows(d) {
			nextMinC = days[i+1].MinC
			single = false
		}
		progress, err := l.Day(method, d.MinC, d.MaxC, nextMinC)
		if err != nil {
			return nil, err
		}
		sum += progress
		result = append(result, Day{Date: d.Date, Progress: progress, Cumulative: sum, Covered: 24 * time.Hour, Single: single})
	}
	return result, nil
}

// Day returns the degree-days of one day from its extremes by any method but
// Observed. Only double methods use nextMinC, the next day's minimum.
func (l Linear) Day(method Method, minC, maxC, nextMinC float64) (float64, error) {
	shape := sineAbove
	switch method {
	case Average:
		return l.PerDay((minC + maxC) / 2), nil
	case AverageClipped:
		return (l.PerDay(minC) + l.PerDay(maxC)) / 2, nil
	case SingleSine, DoubleSine:
	case SingleTriangle, DoubleTriangle:
		shape = triangleAbove
	default:
		return 0, fmt.Errorf("no degree-days from daily extremes by method %q", method)
	}
	dd := l.above(shape, minC, maxC)
	if method.Double() {
		// A cold day can end warmer than its maximum.
		dd += l.above(shape, math.Min(nextMinC, maxC), math.Max(nextMinC, maxC))
		dd /= 2
	}
	return math.Max(0, dd), nil
}

func (e Extremes) check() error {
	// Written so that NaN fails.
	if !(e.MinC <= e.MaxC) || math.IsInf(e.MinC, 0) || math.IsInf(e.MaxC, 0) {
		return fmt.Errorf("minimum %g and maximum %g of %s are not a range", e.MinC, e.MaxC, e.Date.Format(time.DateOnly))
	}
	return nil
}

// days counts calendar days, whatever the length of each.
func (e Extremes) days() int64 {
	y, m, d := e.Date.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400
}

func (e Extremes) before(later Extremes) bool    { return e.days() < later.days() }
func (e Extremes) follows(earlier Extremes) bool { return e.days() == earlier.days()+1 }
