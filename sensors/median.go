package sensors

import (
	"math"
	"slices"
)

// Median reorders values and returns their median, NaN of none.
func Median(values []float64) float64 {
	n := len(values)
	if n == 0 {
		return math.NaN()
	}
	upper := nth(values, n/2)
	if n%2 == 1 {
		return upper
	}
	return (slices.Max(values[:n/2]) + upper) / 2
}

// XY is a point of a line, in units of the caller's.
type XY struct{ X, Y float64 }

// TheilSen is the median of the slopes between all pairs of points
// (Theil 1950, Sen 1968), 0 where no two differ in X. Up to 29 % of bad
// points leave it unmoved.
func TheilSen(list []XY) float64 {
	slopes := make([]float64, 0, len(list)*(len(list)-1)/2)
	for i, a := range list {
		for _, b := range list[i+1:] {
			if b.X != a.X {
				slopes = append(slopes, (b.Y-a.Y)/(b.X-a.X))
			}
		}
	}
	if len(slopes) == 0 {
		return 0
	}
	return Median(slopes)
}

// nth puts the value of rank k in its place, none greater before it and none
// smaller behind it, and returns it: Hoare's selection, which a room's slopes
// need every minute and which is several times as fast as sorting.
func nth(values []float64, k int) float64 {
	low, high := 0, len(values)-1
	for low < high {
		pivot := values[(low+high)/2]
		i, j := low, high
		for i <= j {
			for values[i] < pivot {
				i++
			}
			for values[j] > pivot {
				j--
			}
			if i <= j {
				values[i], values[j] = values[j], values[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return values[k]
		}
	}
	return values[k]
}
