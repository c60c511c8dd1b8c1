package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"time"

	"rearguard/daemon"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
)

// historyDays are the stretches of history that can be chosen.
func historyDays() []int { return []int{1, 7, 30, 90} }

type historyModel struct {
	Sensor daemon.SensorView
	// Chain are the sensors that had this position, the present one first.
	Chain  []daemon.SensorView
	Days   int
	Choice []int
	Plots  []historyPlot
	// Missing is set when this server keeps no history for pages.
	Missing bool
}

// historyPlot is the course of one quantity as a polyline in a box of 600 by
// 140, and what was in it.
type historyPlot struct {
	Quantity  string
	Lines     []string
	Low, High string
	// Suspect and Failed count readings that are not used, of all Readings.
	Readings, Suspect, Failed int
	// By says which sensor measured from when.
	By []historySpan
}

type historySpan struct {
	Sensor   sensors.SensorID
	From, To time.Time
}

// historyBuckets is how finely a stretch is drawn.
const historyBuckets = 300

func (s *Site) historyPage(v *view, r *http.Request) (pageSpec, error) {
	id := sensors.SensorID(r.PathValue("id"))
	present, err := findAnySensor(v.S, id)
	if err != nil {
		return pageSpec{}, err
	}
	m := historyModel{Sensor: *present, Days: 7, Choice: historyDays(), Missing: s.options.History == nil}
	for _, d := range m.Choice {
		if r.URL.Query().Get("days") == fmt.Sprint(d) {
			m.Days = d
		}
	}
	for at, n := present, 0; at != nil && n < 20; n++ {
		m.Chain = append(m.Chain, *at)
		if at.Replaces == "" {
			break
		}
		if at, err = findAnySensor(v.S, at.Replaces); err != nil {
			break
		}
	}
	for _, q := range []sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity} {
		if m.Missing {
			break
		}
		plot, err := s.plot(r.Context(), v, m.Chain, q, m.Days)
		if err != nil {
			return pageSpec{}, fmt.Errorf("read history of %s: %w", id, err)
		}
		if plot.Readings > 0 {
			m.Plots = append(m.Plots, plot)
		}
	}
	return pageSpec{Title: "History of " + string(id), Data: m, Sections: []sectionSpec{{"position-history", false}}}, nil
}

// findAnySensor finds a sensor in use or a retired one.
func findAnySensor(s *daemon.Snapshot, id sensors.SensorID) (*daemon.SensorView, error) {
	for i := range s.Retired {
		if s.Retired[i].ID == id {
			return &s.Retired[i], nil
		}
	}
	return entry.FindSensor(s, id)
}

// plot reads a quantity of all sensors of a position and draws the mean of the
// readings that are used, stretch by stretch.
func (s *Site) plot(ctx context.Context, v *view, chain []daemon.SensorView, q sensors.Quantity, days int) (historyPlot, error) {
	to := v.S.Time
	from := to.AddDate(0, 0, -days)
	step := to.Sub(from) / historyBuckets
	sums, counts := make([]float64, historyBuckets), make([]int, historyBuckets)
	p := historyPlot{Quantity: quantityName(q)}
	for _, one := range chain {
		span := historySpan{Sensor: one.ID}
		err := s.options.History(ctx, sensors.Series{Sensor: one.ID, Quantity: q}, from, to, func(r sensors.Reading) bool {
			p.Readings++
			if span.From.IsZero() {
				span.From = r.Time
			}
			span.To = r.Time
			switch {
			case r.Flag.Usable():
				i := min(int(r.Time.Sub(from)/step), historyBuckets-1)
				sums[i] += r.Value
				counts[i]++
			case r.Flag == sensors.Suspect:
				p.Suspect++
			default:
				p.Failed++
			}
			return true
		})
		if err != nil {
			return p, err
		}
		if !span.From.IsZero() {
			p.By = append(p.By, span)
		}
	}
	p.draw(sums, counts)
	return p, nil
}

// draw makes lines of what is known; where nothing is, the line breaks.
func (p *historyPlot) draw(sums []float64, counts []int) {
	low, high := math.Inf(1), math.Inf(-1)
	for i, n := range counts {
		if n > 0 {
			sums[i] /= float64(n)
			low, high = min(low, sums[i]), max(high, sums[i])
		}
	}
	if low > high {
		return
	}
	if pad := (1 - (high - low)) / 2; pad > 0 {
		low, high = low-pad, high+pad
	}
	p.Low, p.High = fmt.Sprintf("%.1f", low), fmt.Sprintf("%.1f", high)
	var line strings.Builder
	empty := 0
	flush := func() {
		if line.Len() > 0 {
			p.Lines = append(p.Lines, strings.TrimSpace(line.String()))
			line.Reset()
		}
	}
	for i, n := range counts {
		if n == 0 {
			// Sensors that report seldom leave single places empty.
			if empty++; empty > 3 {
				flush()
			}
			continue
		}
		empty = 0
		fmt.Fprintf(&line, "%d,%.1f ", 2*i, 135-130*(sums[i]-low)/(high-low))
	}
	flush()
}
