package chart

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"rearguard/daemon/development/fitting"
	"rearguard/daemon/study"
	"rearguard/dashboards/format"
)

// The drawing of a fit, in its own units.
const (
	fitWidth, fitHeight         = 460.0, 290.0
	fitLeft, fitBottom, fitEdge = 34.0, 42.0, 14.0
)

// fitDrawing maps temperatures from low to high (°C) and rates from 0 to most
// (share of the stage a day) into the drawing of a fit.
type fitDrawing struct {
	strings.Builder
	low, high, most float64
}

// Fit draws the observed rates over temperature with the lines through them.
func Fit(f *study.Fit) template.HTML {
	d := fitDrawing{low: math.Inf(1), high: math.Inf(-1)}
	for _, o := range f.Observations {
		d.low, d.high = math.Min(d.low, o.TemperatureC), math.Max(d.high, o.TemperatureC)
		d.most = math.Max(d.most, 1/o.Days)
	}
	d.low, d.high = math.Floor(d.low-4), math.Ceil(d.high+4)
	for _, e := range []*fitting.Estimate{&f.Start, f.Proposal} {
		if e != nil && e.Requirement > 0 {
			d.most = math.Max(d.most, rate(e, d.high))
		}
	}
	d.most *= 1.1
	fmt.Fprintf(&d.Builder, `<svg class="fit" viewBox="0 0 %.0f %.0f" role="img" aria-label="Rate of development over temperature, %s">`,
		fitWidth, fitHeight, template.HTMLEscapeString(format.Plural(len(f.Observations), "observation", "observations")))
	d.axes()
	if f.Proposal != nil {
		d.interval(f.Proposal)
	}
	d.line("start", &f.Start)
	if f.Regression != nil {
		d.line("own", &f.Regression.Estimate)
	}
	d.line("proposal", f.Proposal)
	for _, o := range f.Observations {
		d.observation(o)
	}
	d.WriteString(`</svg>`)
	return template.HTML(d.String()) //nolint:gosec // built from numbers and escaped names only
}

func (d *fitDrawing) x(c float64) float64 {
	return fitLeft + (fitWidth-fitLeft-fitEdge)*(c-d.low)/(d.high-d.low)
}

func (d *fitDrawing) y(r float64) float64 {
	return fitEdge + (fitHeight-fitBottom-fitEdge)*(1-r/d.most)
}

// rate is the share of the stage passed in a day at c degrees.
func rate(e *fitting.Estimate, c float64) float64 {
	return math.Max(0, (c-e.ThresholdC)/e.Requirement)
}

func (d *fitDrawing) axes() {
	fmt.Fprintf(&d.Builder, `<path class="axis-line" fill="none" d="M%.1f %.1fV%.1fH%.1f"/>`, fitLeft, fitEdge, fitHeight-fitBottom, fitWidth-fitEdge)
	step := 2.0
	if d.high-d.low > 20 {
		step = 5
	}
	for c := math.Ceil(d.low/step) * step; c <= d.high; c += step {
		fmt.Fprintf(&d.Builder, `<text x="%.1f" y="%.1f" text-anchor="middle">%.0f</text>`, d.x(c), fitHeight-fitBottom+18, c)
	}
	fmt.Fprintf(&d.Builder, `<text x="%.1f" y="%.1f" text-anchor="end">mean temperature in °C</text>`, fitWidth-fitEdge, fitHeight-5)
	tick := niceStep(d.most)
	for r := 0.0; r < d.most; r += tick {
		fmt.Fprintf(&d.Builder, `<text x="%.1f" y="%.1f" text-anchor="end">%.3g</text>`, fitLeft-6, d.y(r)+4, 100*r)
	}
	fmt.Fprintf(&d.Builder, `<text x="%.1f" y="%.1f">%% of the stage a day</text>`, fitLeft+8, fitEdge+10)
}

// niceStep divides an axis into three to seven steps of 1, 2 or 5 times a power
// of ten.
func niceStep(most float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(most/3)))
	for _, m := range []float64{1, 2, 5} {
		if most/(m*base) <= 7 {
			return m * base
		}
	}
	return 10 * base
}

// quantile90 is the 90 % quantile of the standard normal distribution: the
// interval of both sides holds 80 %.
const quantile90 = 1.2816

// interval shades what is believed of the rate.
func (d *fitDrawing) interval(e *fitting.Estimate) {
	const pieces = 60
	var upper, lower []string
	for i := range pieces + 1 {
		c := d.low + (d.high-d.low)*float64(i)/pieces
		r, doubt := 0.0, 0.0
		if days, se := e.Days(c); !math.IsInf(days, 0) {
			r, doubt = 1/days, quantile90*se/(days*days)
		}
		upper = append(upper, fmt.Sprintf("%.1f %.1f", d.x(c), d.y(math.Min(d.most, r+doubt))))
		lower = append(lower, fmt.Sprintf("%.1f %.1f", d.x(c), d.y(math.Max(0, r-doubt))))
	}
	slices.Reverse(lower)
	fmt.Fprintf(&d.Builder, `<path class="interval" d="M%sL%sZ"/>`, strings.Join(upper, "L"), strings.Join(lower, "L"))
}

// line draws the rate of an estimate as far as it is in sight.
func (d *fitDrawing) line(class string, e *fitting.Estimate) {
	if e == nil || e.Requirement <= 0 {
		return
	}
	from := math.Max(d.low, math.Min(d.high, e.ThresholdC))
	to := math.Min(d.high, e.ThresholdC+d.most*e.Requirement)
	if to > from {
		fmt.Fprintf(&d.Builder, `<path class="%s" d="M%.1f %.1fL%.1f %.1f"/>`, class, d.x(from), d.y(rate(e, from)), d.x(to), d.y(rate(e, to)))
	}
}

func (d *fitDrawing) observation(o study.Observation) {
	fmt.Fprintf(&d.Builder, `<path class="bar-of" d="M%.1f %.1fV%.1f"/>`, d.x(o.TemperatureC), d.y(math.Min(d.most, 1/(o.Days-o.DoubtDays))), d.y(1/(o.Days+o.DoubtDays)))
	fmt.Fprintf(&d.Builder, `<circle class="seen" r="4" cx="%.1f" cy="%.1f"><title>%s: %.1f days at %.1f °C</title></circle>`,
		d.x(o.TemperatureC), d.y(1/o.Days), template.HTMLEscapeString(string(o.Cohort)), o.Days, o.TemperatureC)
}
