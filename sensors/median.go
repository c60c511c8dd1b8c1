package sensors

import (
	"math"
	"slices"
)

// Median sorts values in place and returns their median, NaN of none.
func Median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	m := len(values) / 2
	if len(values)%2 == 1 {
		return values[m]
	}
	return (values[m-1] + values[m]) / 2
}
