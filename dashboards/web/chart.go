package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"rearguard/daemon"
)

// chart is a drawn curve with the words that go around it. The drawing
// stretches to its box, so it carries no text of its own.
type chart struct {
	SVG       template.HTML
	Low, High string
	// Range is both with one unit, for narrow places.
	Range    string
	From, To string
	// Limits names the dotted lines, empty when there are none in sight.
	Limits string
	Empty  bool
}

// band is a range of values to shade or a limit to draw.
type band struct {
	Value float64
	Above bool
}

const (
	chartWidth  = 1000.0
	chartHeight = 200.0
)

// picker selects the value of a point; nil is a gap.
type picker func(daemon.RecentPoint) *float64

// draw makes a chart of the points. Gaps stay gaps: a missing value or a hole
// in time breaks the line, so that silence never looks like steady air.
func draw(points []daemon.RecentPoint, pick picker, name, unit string, minSpan float64, limits []band, now time.Time, loc *time.Location) chart {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range points {
		if v := pick(p); usable(v) {
			lo, hi = math.Min(lo, *v), math.Max(hi, *v)
		}
	}
	if lo > hi {
		return chart{Empty: true}
	}
	low, high := withUnit(number(lo, unit), unit), withUnit(number(hi, unit), unit)
	top, bottom := hi, lo
	for _, l := range limits {
		if math.Abs(l.Value-(lo+hi)/2) < 3*math.Max(hi-lo, minSpan) {
			top, bottom = math.Max(top, l.Value), math.Min(bottom, l.Value)
		}
	}
	if d := minSpan - (top - bottom); d > 0 {
		top, bottom = top+d/2, bottom-d/2
	}
	pad := (top - bottom) * 0.06
	top, bottom = top+pad, bottom-pad
	// The axis ends now, so that a curve that stopped early shows it.
	first, last := points[0].Time, points[len(points)-1].Time
	if now.After(last) {
		last = now
	}
	whole := math.Max(1, last.Sub(first).Seconds())
	x := func(t time.Time) float64 { return chartWidth * t.Sub(first).Seconds() / whole }
	y := func(v float64) float64 { return chartHeight * (top - v) / (top - bottom) }

	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="curve" viewBox="0 0 %.0f %.0f" preserveAspectRatio="none" role="img" aria-label="%s from %s to %s between %s and %s">`,
		chartWidth, chartHeight, template.HTMLEscapeString(name), template.HTMLEscapeString(low), template.HTMLEscapeString(high),
		first.In(loc).Format("2 Jan 15:04"), last.In(loc).Format("2 Jan 15:04"))
	var shown []string
	for _, l := range limits {
		if l.Value > top || l.Value < bottom {
			continue
		}
		shown = append(shown, number(l.Value, unit))
		at := y(l.Value)
		if l.Above {
			fmt.Fprintf(&b, `<rect class="beyond" x="0" y="0" width="%.0f" height="%.1f"/>`, chartWidth, at)
		} else {
			fmt.Fprintf(&b, `<rect class="beyond" x="0" y="%.1f" width="%.0f" height="%.1f"/>`, at, chartWidth, chartHeight-at)
		}
		fmt.Fprintf(&b, `<line class="limit" x1="0" x2="%.0f" y1="%.1f" y2="%.1f"/>`, chartWidth, at, at)
	}
	for _, run := range runs(points, pick) {
		if len(run) == 1 {
			// A lone point has no line; a short dash keeps it visible.
			fmt.Fprintf(&b, `<path class="line" d="M%.1f %.1fh4"/>`, x(run[0].Time), y(*pick(run[0])))
			continue
		}
		b.WriteString(`<path class="line" d="`)
		for i, p := range run {
			verb := "L"
			if i == 0 {
				verb = "M"
			}
			fmt.Fprintf(&b, "%s%.1f %.1f", verb, x(p.Time), y(*pick(p)))
		}
		b.WriteString(`"/>`)
	}
	b.WriteString(`</svg>`)
	return chart{
		SVG:    template.HTML(b.String()), //nolint:gosec // built from numbers, formatted times and escaped names only
		Limits: withUnit(strings.Join(shown, " and "), unitIf(len(shown) > 0, unit)),
		Low:    low, High: high, Range: number(lo, unit) + " – " + high, From: first.In(loc).Format("Mon 15:04"), To: last.In(loc).Format("Mon 15:04"),
	}
}

// runs splits points where the value is missing or time jumps by much more
// than the usual step.
func runs(points []daemon.RecentPoint, pick picker) [][]daemon.RecentPoint {
	usual := usualStep(points)
	var out [][]daemon.RecentPoint
	var run []daemon.RecentPoint
	for _, p := range points {
		if len(run) > 0 && (!usable(pick(p)) || p.Time.Sub(run[len(run)-1].Time) > 3*usual) {
			out = append(out, run)
			run = nil
		}
		if usable(pick(p)) {
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
func usualStep(points []daemon.RecentPoint) time.Duration {
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

func usable(v *float64) bool { return v != nil && !math.IsNaN(*v) && !math.IsInf(*v, 0) }

func temperatureOf(p daemon.RecentPoint) *float64 { return p.Temperature }
func humidityOf(p daemon.RecentPoint) *float64    { return p.Humidity }

// bar draws a share of 0 to 1 as a filled strip.
func bar(share float64) template.HTML {
	share = math.Min(1, math.Max(0, share))
	if math.IsNaN(share) {
		share = 0
	}
	return template.HTML(fmt.Sprintf( //nolint:gosec // one formatted number
		`<svg class="bar" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true"><rect class="bar-all" width="100" height="8"/><rect class="bar-done" width="%.1f" height="8"/></svg>`, 100*share))
}

func unitIf(any bool, unit string) string {
	if any {
		return unit
	}
	return ""
}
