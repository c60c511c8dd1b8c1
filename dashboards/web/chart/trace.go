package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Trace is a course of values as polylines in a box of 600 by 140.
type Trace struct {
	Lines     []string
	Low, High string
}

const traceWidth = 600

// scale fits values upright into the box of a trace, at least a unit high so
// that noise does not fill it.
type scale struct{ low, high float64 }

func scaleOf(values []float64) scale {
	s := scale{slices.Min(values), slices.Max(values)}
	if pad := (1 - (s.high - s.low)) / 2; pad > 0 {
		s = scale{s.low - pad, s.high + pad}
	}
	return s
}

func (s scale) y(v float64) float64 { return 135 - 130*(v-s.low)/(s.high-s.low) }

func (s scale) trace(lines ...string) Trace {
	return Trace{lines, fmt.Sprintf("%.1f", s.low), fmt.Sprintf("%.1f", s.high)}
}

// TraceOver draws the points as one line over time; fewer than two draw
// nothing. All have a value.
func TraceOver(points []Point) Trace {
	if len(points) < 2 {
		return Trace{}
	}
	values := make([]float64, 0, len(points))
	for _, p := range points {
		values = append(values, *p.Value)
	}
	s := scaleOf(values)
	var line strings.Builder
	first := points[0].Time
	whole := points[len(points)-1].Time.Sub(first)
	for _, p := range points {
		fmt.Fprintf(&line, "%.1f,%.1f ", traceWidth*float64(p.Time.Sub(first))/float64(whole), s.y(*p.Value))
	}
	return s.trace(strings.TrimSpace(line.String()))
}

// emptyBridged is how many empty places in a row a line passes over: sensors
// that report seldom leave single places empty.
const emptyBridged = 3

// TraceOf draws values at equal steps; NaN is an empty place, and where more
// than a few are empty the line breaks.
func TraceOf(values []float64) Trace {
	known := slices.DeleteFunc(slices.Clone(values), math.IsNaN)
	if len(known) == 0 {
		return Trace{}
	}
	s := scaleOf(known)
	var lines []string
	empty := emptyBridged + 1
	for i, v := range values {
		if math.IsNaN(v) {
			empty++
			continue
		}
		at := fmt.Sprintf("%d,%.1f", i*traceWidth/len(values), s.y(v))
		if empty > emptyBridged {
			lines = append(lines, at)
		} else {
			lines[len(lines)-1] += " " + at
		}
		empty = 0
	}
	return s.trace(lines...)
}
