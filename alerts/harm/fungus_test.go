package harm_test

import (
	"math"
	"testing"

	"rearguard/alerts/harm"
)

// Luz & Fargues 1997, Mycopathologia 138:117.
func TestGermination(t *testing.T) {
	for _, c := range []struct{ temperature, humidity, hours float64 }{
		{25, 95.5, 20}, {25, 90, 72}, {25, 100, 20}, {25, 92.75, math.Sqrt(72 * 20)},
		{15, 100, 20}, {35, 100, 20},
		{25, 89.9, math.Inf(1)}, {14.9, 100, math.Inf(1)}, {35.1, 100, math.Inf(1)},
		{25, 0, math.Inf(1)},
	} {
		got, err := harm.GerminationHours(c.temperature, c.humidity)
		if err != nil {
			t.Fatal(err)
		}
		if got != c.hours && !(math.Abs(got-c.hours) < 1e-9) {
			t.Errorf("%v °C, %v %%: %v h, want %v", c.temperature, c.humidity, got, c.hours)
		}
	}
	for _, c := range [][2]float64{{math.NaN(), 95}, {25, math.NaN()}, {25, 101}, {25, -1}, {math.Inf(1), 95}} {
		if _, err := harm.GerminationHours(c[0], c[1]); err == nil {
			t.Errorf("air of %v °C and %v %% was accepted", c[0], c[1])
		}
	}
}
