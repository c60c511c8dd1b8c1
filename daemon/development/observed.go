package development

import (
	"fmt"
	"math"
	"time"
)

// Point is a temperature at a time.
type Point struct {
	Time         time.Time
	TemperatureC float64
}

// ByDay returns the physiological time of each local day under a recorded
// temperature curve, with straight lines between its points. Lines across
// midnight are split there. The result has an entry for every day from the
// first point to the last, and its sum is the integral over the whole curve.
//
// Points must be finite and in order of time, each later than the one before;
// at least two are needed.
func ByDay(rate Rate, points []Point, location *time.Location) ([]Day, error) {
	if len(points) < 2 {
		return nil, fmt.Errorf("need at least two temperatures to follow a curve, have %d", len(points))
	}
	for i, p := range points {
		if math.IsNaN(p.TemperatureC) || math.IsInf(p.TemperatureC, 0) {
			return nil, fmt.Errorf("temperature at %s is %g, not a finite number", p.Time.Format(time.RFC3339), p.TemperatureC)
		}
		if i > 0 && !p.Time.After(points[i-1].Time) {
			return nil, fmt.Errorf("temperature at %s does not come after the one at %s",
				p.Time.Format(time.RFC3339), points[i-1].Time.Format(time.RFC3339))
		}
	}
	start := points[0].Time.In(location)
	day := Day{Date: midnight(start, 0)}
	next := midnight(start, 1)
	var days []Day
	finish := func() {
		if len(days) > 0 {
			day.Cumulative = days[len(days)-1].Cumulative
		}
		day.Cumulative += day.Progress
		days = append(days, day)
		day = Day{Date: next}
		next = midnight(next, 1)
	}
	from := points[0]
	for _, to := range points[1:] {
		for to.Time.After(next) {
			share := float64(next.Sub(from.Time)) / float64(to.Time.Sub(from.Time))
			at := Point{next, from.TemperatureC + share*(to.TemperatureC-from.TemperatureC)}
			day.add(rate, from, at)
			from = at
			finish()
		}
		day.add(rate, from, to)
		from = to
	}
	finish()
	return days, nil
}

func (d *Day) add(rate Rate, from, to Point) {
	span := to.Time.Sub(from.Time)
	d.Covered += span
	d.Progress += rate.Along(from.TemperatureC, to.TemperatureC, span.Hours()/24)
}

// midnight returns the start of the day that is some days after that of t. A
// day without a midnight, where summer time begins then, starts at the first
// time it has.
func midnight(t time.Time, days int) time.Time {
	y, m, d := t.Date()
	start := time.Date(y, m, d+days, 0, 0, 0, 0, t.Location())
	// Where 0:00 does not exist, time.Date may return 23:00 of the day before.
	if want := time.Date(y, m, d+days, 12, 0, 0, 0, time.UTC).Day(); start.Day() != want {
		start = time.Date(y, m, d+days, 1, 0, 0, 0, t.Location())
	}
	return start
}

// DailyExtremes returns the lowest and highest temperature of each local day
// that has a point, and how many points each had.
func DailyExtremes(points []Point, location *time.Location) (days []Extremes, counts []int) {
	for _, p := range points {
		date := midnight(p.Time.In(location), 0)
		if n := len(days); n == 0 || !days[n-1].Date.Equal(date) {
			days = append(days, Extremes{Date: date, MinC: p.TemperatureC, MaxC: p.TemperatureC})
			counts = append(counts, 1)
			continue
		}
		last := &days[len(days)-1]
		last.MinC = math.Min(last.MinC, p.TemperatureC)
		last.MaxC = math.Max(last.MaxC, p.TemperatureC)
		counts[len(counts)-1]++
	}
	return days, counts
}
