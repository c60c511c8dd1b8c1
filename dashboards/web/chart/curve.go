// Package chart draws what the pages show, as SVG made on the server.
package chart

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"rearguard/dashboards/format"
)

// Point is one value of a curve; nil is a gap.
type Point struct {
	Time  time.Time
	Value *float64
}

// Side says which side of a limit is the bad one.
type Side int

// The sides of a limit.
const (
	Above Side = iota
	Below
)

// Limit is a level to draw with the values beyond it shaded.
type Limit struct {
	Value float64
	Bad   Side
}

// Curve is what to draw of one quantity over time.
type Curve struct {
	// Points are in order of time.
	Points     []Point
	Name, Unit string
	// LeastSpan is the least the upright axis shows, in Unit, so that noise
	// does not fill the drawing.
	LeastSpan float64
	Limits    []Limit
	// Now is where the axis ends, so that a curve that stopped early shows it.
	Now  time.Time
	Zone *time.Location
}

// Drawing is a drawn curve with the words that go around it. The drawing
// stretches to its box, so it carries no text of its own.
type Drawing struct {
	SVG       template.HTML
	Low, High string
	// Range is both with one unit, for narrow places.
	Range    string
	From, To string
	// Limits names the dotted lines, empty when there are none in sight.
	Limits string
	Empty  bool
}

const (
	curveWidth  = 1000.0
	curveHeight = 200.0
)

// Draw draws the curve. Gaps stay gaps: a missing value or a hole in time
// breaks the line, so that silence never looks like steady air.
func (c Curve) Draw() Drawing {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range c.Points {
		if p.usable() {
			lo, hi = math.Min(lo, *p.Value), math.Max(hi, *p.Value)
		}
	}
	if lo > hi {
		return Drawing{Empty: true}
	}
	low, high := format.Value(lo, c.Unit), format.Value(hi, c.Unit)
	first, last := c.Points[0].Time, c.Points[len(c.Points)-1].Time
	if c.Now.After(last) {
		last = c.Now
	}
	f := c.frame(lo, hi, first, last)

	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="curve" viewBox="0 0 %.0f %.0f" preserveAspectRatio="none" role="img" aria-label="%s from %s to %s between %s and %s">`,
		curveWidth, curveHeight, template.HTMLEscapeString(c.Name), template.HTMLEscapeString(low), template.HTMLEscapeString(high),
		first.In(c.Zone).Format("2 Jan 15:04"), last.In(c.Zone).Format("2 Jan 15:04"))
	shown := c.drawLimits(&b, f)
	for _, run := range runs(c.Points) {
		f.line(&b, run)
	}
	b.WriteString(`</svg>`)
	return Drawing{
		SVG:    template.HTML(b.String()), //nolint:gosec // built from numbers, formatted times and escaped names only
		Limits: shown, Low: low, High: high, Range: format.Number(lo, c.Unit) + " – " + high,
		From: first.In(c.Zone).Format("Mon 15:04"), To: last.In(c.Zone).Format("Mon 15:04"),
	}
}

// frame maps times and values into the drawing.
type frame struct {
	first       time.Time
	seconds     float64
	top, bottom float64
}

// frame holds the values from lo to hi and the limits that are near them.
func (c Curve) frame(lo, hi float64, first, last time.Time) frame {
	top, bottom := hi, lo
	for _, l := range c.Limits {
		if math.Abs(l.Value-(lo+hi)/2) < 3*math.Max(hi-lo, c.LeastSpan) {
			top, bottom = math.Max(top, l.Value), math.Min(bottom, l.Value)
		}
	}
	if d := c.LeastSpan - (top - bottom); d > 0 {
		top, bottom = top+d/2, bottom-d/2
	}
	pad := (top - bottom) * 0.06
	return frame{first, math.Max(1, last.Sub(first).Seconds()), top + pad, bottom - pad}
}

func (f frame) x(t time.Time) float64 { return curveWidth * t.Sub(f.first).Seconds() / f.seconds }
func (f frame) y(v float64) float64   { return curveHeight * (f.top - v) / (f.top - f.bottom) }

// drawLimits shades what is beyond the limits in sight and names them.
func (c Curve) drawLimits(b *strings.Builder, f frame) string {
	var shown []string
	for _, l := range c.Limits {
		if l.Value > f.top || l.Value < f.bottom {
			continue
		}
		shown = append(shown, format.Number(l.Value, c.Unit))
		at := f.y(l.Value)
		if l.Bad == Above {
			fmt.Fprintf(b, `<rect class="beyond" x="0" y="0" width="%.0f" height="%.1f"/>`, curveWidth, at)
		} else {
			fmt.Fprintf(b, `<rect class="beyond" x="0" y="%.1f" width="%.0f" height="%.1f"/>`, at, curveWidth, curveHeight-at)
		}
		fmt.Fprintf(b, `<line class="limit" x1="0" x2="%.0f" y1="%.1f" y2="%.1f"/>`, curveWidth, at, at)
	}
	if shown == nil {
		return ""
	}
	return format.WithUnit(strings.Join(shown, " and "), c.Unit)
}

// line draws points that belong together.
func (f frame) line(b *strings.Builder, run []Point) {
	for i, p := range run {
		verb := "L"
		if i == 0 {
			verb = `<path class="line" d="M`
		}
		fmt.Fprintf(b, "%s%.1f %.1f", verb, f.x(p.Time), f.y(*p.Value))
	}
	if len(run) == 1 {
		// A lone point has no line; a short dash keeps it visible.
		b.WriteString("h4")
	}
	b.WriteString(`"/>`)
}

// runs splits points where the value is missing or time jumps by much more
// than the usual step.
func runs(points []Point) [][]Point {
	usual := usualStep(points)
	var out [][]Point
	var run []Point
	for _, p := range points {
		if len(run) > 0 && (!p.usable() || p.Time.Sub(run[len(run)-1].Time) > 3*usual) {
			out = append(out, run)
			run = nil
		}
		if p.usable() {
			run = append(run, p)
		}
	}
	if len(run) > 0 {
		out = append(out, run)
	}
	return out
}

// usualStep is the mean step of the shorter half, which one long hole cannot
// stretch.
func usualStep(points []Point) time.Duration {
	longest := time.Duration(0)
	for i := 1; i < len(points); i++ {
		longest = max(longest, points[i].Time.Sub(points[i-1].Time))
	}
	if len(points) < 3 {
		return max(longest, time.Minute)
	}
	total := points[len(points)-1].Time.Sub(points[0].Time) - longest
	return max(total/time.Duration(len(points)-2), time.Minute)
}

func (p Point) usable() bool {
	return p.Value != nil && !math.IsNaN(*p.Value) && !math.IsInf(*p.Value, 0)
}

// Bar draws a share of 0 to 1 as a filled strip.
func Bar(share float64) template.HTML {
	share = math.Min(1, math.Max(0, share))
	if math.IsNaN(share) {
		share = 0
	}
	return template.HTML(fmt.Sprintf( //nolint:gosec // one formatted number
		`<svg class="bar" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true"><rect class="bar-all" width="100" height="8"/><rect class="bar-done" width="%.1f" height="8"/></svg>`, 100*share))
}
