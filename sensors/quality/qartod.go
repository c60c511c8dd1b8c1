package quality

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"time"

	"rearguard/sensors"
)

// ErrInput marks a batch call whose arguments cannot be tested.
var ErrInput = errors.New("unusable input")

// GrossRange flags values outside the sensor span as fail and outside the user
// span as suspect; both ends of a span belong to it, NaN is missing. The user
// span must lie within the sensor span. Source: IOOS QARTOD manuals, test 4.
func GrossRange(x []float64, sensor, user Span) ([]sensors.Flag, error) {
	if !user.IsZero() && (user.Low < sensor.Low || user.High > sensor.High) {
		return nil, fmt.Errorf("gross range: user span %g to %g leaves sensor span %g to %g: %w",
			user.Low, user.High, sensor.Low, sensor.High, ErrInput)
	}
	out := make([]sensors.Flag, len(x))
	for i, v := range x {
		out[i] = grossRange(v, sensor, user)
	}
	return out, nil
}

// SpikeAverage flags a value by its distance from the mean of its two
// neighbours: above suspect is 3, above fail is 4. The first and the last
// value, and values beside a missing one, are not evaluated.
// Source: IOOS QARTOD manuals, test 6.
func SpikeAverage(x []float64, suspect, fail float64) []sensors.Flag {
	return spike(x, suspect, fail, spikeAverage)
}

// SpikeDifferential is SpikeAverage on the smaller of the two steps around a
// value, which counts only when the steps point in opposite directions.
func SpikeDifferential(x []float64, suspect, fail float64) []sensors.Flag {
	return spike(x, suspect, fail, spikeDifferential)
}

func spike(x []float64, suspect, fail float64, size func(a, b, c float64) float64) []sensors.Flag {
	out := make([]sensors.Flag, len(x))
	for i, v := range x {
		switch {
		case math.IsNaN(v):
			out[i] = sensors.Missing
		case i == 0 || i == len(x)-1 || math.IsNaN(x[i-1]) || math.IsNaN(x[i+1]):
			// A spike needs both neighbours; falling back to one of them
			// would be guessing.
			out[i] = sensors.NotEvaluated
		default:
			out[i] = above(size(x[i-1], v, x[i+1]), suspect, fail)
		}
	}
	return out
}

// RateOfChange flags a value as suspect when it differs from the last present
// one by more than perSecond times the real time between the two. The first
// value passes, NaN is missing. Source: IOOS QARTOD manuals, test 7.
func RateOfChange(t []time.Time, x []float64, perSecond float64) ([]sensors.Flag, error) {
	if err := checkSeries(t, x); err != nil {
		return nil, fmt.Errorf("rate of change: %w", err)
	}
	out := make([]sensors.Flag, len(x))
	last := -1
	for i, v := range x {
		if math.IsNaN(v) {
			out[i] = sensors.Missing
			continue
		}
		out[i] = sensors.Pass
		if last >= 0 && math.Abs(v-x[last])/t[i].Sub(t[last]).Seconds() > perSecond {
			out[i] = sensors.Suspect
		}
		last = i
	}
	return out, nil
}

// FlatLine flags a value when the range of the window that ends at it stays
// below tolerance. A window spans threshold divided by the median time step,
// plus one, values; missing values in it are left out. Fewer than three values
// in all pass. Source: IOOS QARTOD manuals, test 8.
func FlatLine(t []time.Time, x []float64, suspect, fail time.Duration, tolerance float64) ([]sensors.Flag, error) {
	if err := checkSeries(t, x); err != nil {
		return nil, fmt.Errorf("flat line: %w", err)
	}
	out := make([]sensors.Flag, len(x))
	for i, v := range x {
		out[i] = sensors.Pass
		if math.IsNaN(v) {
			out[i] = sensors.Missing
		}
	}
	if len(x) < 3 {
		return out, nil
	}
	steps := make([]float64, len(t)-1)
	for i := range steps {
		steps[i] = t[i+1].Sub(t[i]).Seconds()
	}
	step := median(steps)
	for _, level := range []struct {
		after time.Duration
		flag  sensors.Flag
	}{{suspect, sensors.Suspect}, {fail, sensors.Fail}} {
		count := int(level.after.Seconds() / step)
		for i := count; i < len(x); i++ {
			if out[i] == sensors.Missing {
				continue
			}
			if low, high, _ := extent(x[i-count : i+1]); high-low < tolerance {
				out[i] = level.flag
			}
		}
	}
	return out, nil
}

// Spread is the measure of an attenuated signal test.
type Spread uint8

// The measures: largest minus smallest value, or standard deviation.
const (
	Range Spread = iota
	StdDev
)

// Attenuation holds the limits of AttenuatedSignal, in the quantity's unit.
type Attenuation struct {
	Measure Spread
	// Suspect and Fail are the spreads below which a value gets that flag.
	Suspect, Fail float64
	// Period is the window, open at its start; zero means the whole series.
	Period time.Duration
	// MinValues is the number of present values a window must hold; with
	// fewer, a value is not evaluated. Only used with a Period.
	MinValues int
}

// AttenuatedSignal flags values in windows that vary too little. The standard
// deviation is that of a population over the whole series and that of a sample
// within a window. Source: IOOS QARTOD manuals, test 10 (attenuated signal).
func AttenuatedSignal(t []time.Time, x []float64, limits Attenuation) ([]sensors.Flag, error) {
	if err := checkSeries(t, x); err != nil {
		return nil, fmt.Errorf("attenuated signal: %w", err)
	}
	out := make([]sensors.Flag, len(x))
	from := 0
	for i, v := range x {
		window := x
		if limits.Period > 0 {
			for !t[from].After(t[i].Add(-limits.Period)) {
				from++
			}
			window = x[from : i+1]
		}
		if math.IsNaN(v) {
			out[i] = sensors.Missing
			continue
		}
		low, high, n := extent(window)
		size := high - low
		if limits.Measure == StdDev {
			size = stdDev(window, limits.Period > 0)
		}
		switch {
		case limits.Period > 0 && n < limits.MinValues:
			out[i] = sensors.NotEvaluated
		case size < limits.Fail:
			out[i] = sensors.Fail
		case size < limits.Suspect:
			out[i] = sensors.Suspect
		default:
			out[i] = sensors.Pass
		}
	}
	return out, nil
}

// TimingGap is fail when more than limit has passed since the last reading,
// else pass. Source: IOOS QARTOD manuals, test 1.
func TimingGap(last, now time.Time, limit time.Duration) sensors.Flag {
	if now.Sub(last) > limit {
		return sensors.Fail
	}
	return sensors.Pass
}

// Neighbour is suspect when value lies farther than limit from the median of
// the others. With fewer than two others nobody can say who is wrong: not
// evaluated. QARTOD names the test and leaves the formula open; the median is
// common practice, no published source.
func Neighbour(value float64, others []float64, limit float64) sensors.Flag {
	present := make([]float64, 0, len(others))
	for _, o := range others {
		if !math.IsNaN(o) {
			present = append(present, o)
		}
	}
	switch {
	case math.IsNaN(value):
		return sensors.Missing
	case len(present) < 2:
		return sensors.NotEvaluated
	}
	return above(math.Abs(value-median(present)), limit, 0)
}

// checkSeries wants one time for each value, strictly increasing.
func checkSeries(t []time.Time, x []float64) error {
	if len(t) != len(x) {
		return fmt.Errorf("%d times for %d values: %w", len(t), len(x), ErrInput)
	}
	for i := 1; i < len(t); i++ {
		if !t[i].After(t[i-1]) {
			return fmt.Errorf("time %d is not after the one before it: sort and remove doubles: %w", i, ErrInput)
		}
	}
	return nil
}

// extent returns the smallest and largest present value and how many there are.
func extent(x []float64) (low, high float64, n int) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range x {
		if !math.IsNaN(v) {
			low, high = math.Min(low, v), math.Max(high, v)
			n++
		}
	}
	return low, high, n
}

// stdDev ignores missing values; sample selects division by n-1.
func stdDev(x []float64, sample bool) float64 {
	var sum, squares, n float64
	for _, v := range x {
		if !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	for _, v := range x {
		if !math.IsNaN(v) {
			squares += (v - sum/n) * (v - sum/n)
		}
	}
	if sample {
		n--
	}
	if n <= 0 {
		return 0
	}
	return math.Sqrt(squares / n)
}

// median sorts x in place; it is NaN for no values.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	sort.Float64s(x)
	m := len(x) / 2
	if len(x)%2 == 1 {
		return x[m]
	}
	return (x[m-1] + x[m]) / 2
}
