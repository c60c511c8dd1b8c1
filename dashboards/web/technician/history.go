package technician

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/chart"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// History gives the stored readings of a series in order of time, from from
// (inclusive) to to (exclusive); nil where there is no history.
type History func(ctx context.Context, series sensors.Series, from, to time.Time, yield func(sensors.Reading) bool) error

// historyDays are the stretches of history that can be chosen.
func historyDays() []int { return []int{1, 7, 30, 90} }

type historyModel struct {
	Sensor desk.View
	// Chain are the sensors that had this position, the one asked for first.
	Chain  []desk.View
	Days   int
	Choice []int
	Plots  []historyPlot
	// Missing is set when this server keeps no history for pages.
	Missing bool
}

// historyPlot is the course of one quantity and what was in it.
type historyPlot struct {
	chart.Trace
	Quantity string
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

func (h History) page(v *page.View, r *http.Request) (page.Content, error) {
	id := sensors.SensorID(r.PathValue("id"))
	sensor, err := v.S.AnySensor(id)
	if err != nil {
		return page.Content{}, err
	}
	m := historyModel{Sensor: *sensor, Chain: chainOf(v.S, sensor), Days: 7, Choice: historyDays(), Missing: h == nil}
	for _, d := range m.Choice {
		if r.URL.Query().Get("days") == fmt.Sprint(d) {
			m.Days = d
		}
	}
	for _, q := range []sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity} {
		if m.Missing {
			break
		}
		plot, err := h.plot(r.Context(), v, m.Chain, q, m.Days)
		if err != nil {
			return page.Content{}, fmt.Errorf("read history of %s: %w", id, err)
		}
		if plot.Readings > 0 {
			m.Plots = append(m.Plots, plot)
		}
	}
	return page.Content{Title: "History of " + string(id), Data: m}, nil
}

// longestChain bounds the sensors of one position, should they replace each
// other in a circle.
const longestChain = 20

// chainOf follows back who had the position of the sensor.
func chainOf(s *snapshot.Snapshot, sensor *desk.View) []desk.View {
	chain := []desk.View{*sensor}
	for sensor.Replaces != "" && len(chain) < longestChain {
		before, err := s.AnySensor(sensor.Replaces)
		if err != nil {
			break
		}
		chain = append(chain, *before)
		sensor = before
	}
	return chain
}

// plot reads a quantity of all sensors of a position and draws the mean of the
// readings that are used, stretch by stretch.
func (h History) plot(ctx context.Context, v *page.View, chain []desk.View, q sensors.Quantity, days int) (historyPlot, error) {
	to := v.S.Time
	from := to.AddDate(0, 0, -days)
	step := to.Sub(from) / historyBuckets
	sums, counts := make([]float64, historyBuckets), make([]int, historyBuckets)
	p := historyPlot{Quantity: format.Quantity(q)}
	for _, one := range chain {
		span := historySpan{Sensor: one.ID}
		err := h(ctx, sensors.Series{Sensor: one.ID, Quantity: q}, from, to, func(r sensors.Reading) bool {
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
	for i, n := range counts {
		// 0/0 is no number: an empty place.
		sums[i] /= float64(n)
	}
	p.Trace = chart.TraceOf(sums)
	return p, nil
}
