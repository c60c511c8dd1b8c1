package fitting

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// starts returns starting points for the fit: a coarse grid of every
// parameter, with the one that enters the equation linearly left to least
// squares.
func (l leastSquares) starts() [][]float64 {
	coldest, warmest := math.Inf(1), math.Inf(-1)
	var fastest, best float64
	for _, o := range l.observations {
		coldest, warmest = math.Min(coldest, o.TemperatureC), math.Max(warmest, o.TemperatureC)
		if rate := 1 / o.Days; rate > fastest {
			fastest, best = rate, o.TemperatureC
		}
	}
	below := shift(coldest, -12, -8, -5, -3, -1)
	above := shift(warmest, 0.2, 1, 2, 4, 7)
	// NaN marks the linear parameter.
	open := []float64{math.NaN()}
	var grid [][]float64
	switch l.model.Name {
	case "briere-1":
		grid = [][]float64{open, below, above}
	case "briere-2":
		grid = [][]float64{open, below, above, {1.1, 1.6, 2.5, 4, 8}}
	case "lactin-2":
		grid = [][]float64{{.002, .005, .01, .02, .05, .1}, shift(best, 2, 4, 7, 11), {.5, 1, 2, 4, 7}, open}
	case "logan-6":
		grid = [][]float64{open, {.05, .08, .12, .16, .2}, shift(best, 2, 4, 7, 11), {.5, 1, 2, 4, 6}}
	case "logan-10":
		grid = [][]float64{open, {.08, .12, .16, .2, .3}, {10, 30, 100, 300}, shift(best, 2, 4, 7, 11), {.5, 1, 2, 4, 7}}
	case "sharpe-schoolfield":
		grid = [][]float64{
			open, {5e3, 1e4, 1.5e4, 2e4, 3e4}, {-1e5, -6e4, -3e4},
			shift(coldest+273.15, -3, 0, 4, 8), {3e4, 6e4, 1e5, 2e5}, shift(best+273.15, 0, 2, 4, 8),
		}
	case "wang-engel":
		grid = [][]float64{open, below, shift(best, -3, -1, 0, 1, 2), shift(warmest, 0.2, 1, 2, 4, 7)}
	}
	var starts [][]float64
	var fill func(point []float64)
	fill = func(point []float64) {
		if k := len(point); k < len(grid) {
			for _, v := range grid[k] {
				fill(append(point[:k:k], v))
			}
			return
		}
		if l.solveLinear(point) {
			starts = append(starts, point)
		}
	}
	fill(nil)
	return starts
}

// solveLinear puts the least-squares value in place of the NaN: a factor of
// the whole rate, or lactin-2's shift.
func (l leastSquares) solveLinear(point []float64) bool {
	for k, v := range point {
		if !math.IsNaN(v) {
			continue
		}
		if l.model.Name == "lactin-2" {
			point[k] = 0
			point[k] = -stat.Mean(l.residuals(point), nil)
			return !math.IsNaN(point[k])
		}
		point[k] = 1
		full := l.full(point)
		var product, square float64
		for _, o := range l.observations {
			f := l.model.Evaluate(full, o.TemperatureC)
			product += f / o.Days
			square += f * f
		}
		point[k] = product / square
		return point[k] > 0
	}
	return false
}

func shift(base float64, by ...float64) []float64 {
	shifted := make([]float64, len(by))
	for i, d := range by {
		shifted[i] = base + d
	}
	return shifted
}
