package simulate

import (
	"cmp"
	"context"
	"slices"
	"time"

	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/sensors"
)

// integrate is the thermal time of a cohort up to a time in degree-days, by a
// plain integral over the stored readings, and up to when they reach: of the
// sensors heard within three intervals the median, straight lines between, and
// what is above the threshold.
func (r final) integrate(ctx context.Context, c *cohort, end time.Time) (total float64, reach time.Time, err error) {
	type piece struct {
		from, to   time.Time
		fromC, toC float64
	}
	var way []piece
	for i, p := range c.places {
		until := farFuture
		if i+1 < len(c.places) {
			until = c.places[i+1].From
		}
		curve, err := r.curve(ctx, p.Room)
		if err != nil {
			return 0, reach, err
		}
		for k := 1; k < len(curve); k++ {
			a, b := curve[k-1], curve[k]
			from, to := later(a.at, p.From), b.at
			if until.Before(to) {
				to = until
			}
			if from.Before(to) {
				way = append(way, piece{from, to, between(a, b, from), between(a, b, to)})
			}
		}
	}
	at, lastC, known := c.started, 0.0, false
	for _, one := range way {
		reach = later(reach, one.to)
		if one.to.After(end) && one.from.Before(end) {
			line := point{one.to, one.toC}
			one.toC = between(point{one.from, one.fromC}, line, end)
			one.to = end
		}
		if !one.from.Before(end) {
			continue
		}
		if gap := one.from.Sub(at); gap > 0 {
			if !known {
				lastC = one.fromC
			}
			total += above(lastC, one.fromC, gap)
		}
		total += above(one.fromC, one.toC, one.to.Sub(one.from))
		at, lastC, known = one.to, one.toC, true
	}
	return total, reach, nil
}

// point is the air of a room at a time.
type point struct {
	at time.Time
	c  float64
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// between is the value at a time on the line from a to b.
func between(a, b point, at time.Time) float64 {
	return a.c + (b.c-a.c)*float64(at.Sub(a.at))/float64(b.at.Sub(a.at))
}

// above is the thermal time of a straight line, in steps.
func above(fromC, toC float64, span time.Duration) float64 {
	const steps = 8
	sum := 0.0
	for i := range steps {
		sum += max(0, fromC+(toC-fromC)*(float64(i)+0.5)/steps-site.ThresholdC)
	}
	return sum / steps * span.Hours() / 24
}

// names are all that a sensor has been called: each is the one before with a
// letter more.
func names(one *site.Sensor) []sensors.SensorID {
	var list []sensors.SensorID
	for n := len(one.Device.ID); n <= len(one.ID); n++ {
		list = append(list, one.ID[:n])
	}
	return list
}

// changing reports whether a cohort was where a sensor speaks on change: the
// readings alone do not say for how long one holds.
func (r final) changing(c *cohort) bool {
	for _, p := range c.places {
		if slices.ContainsFunc(r.site.SensorsIn(p.Room), func(one *site.Sensor) bool { return one.Device.Plan.Form == world.ChangeForm }) {
			return true
		}
	}
	return false
}

// curve is the air of a room as its stored readings have it.
func (r final) curve(ctx context.Context, id sensors.RoomID) ([]point, error) {
	list := r.site.SensorsIn(id)
	if len(list) == 0 {
		return nil, nil
	}
	var series []sensors.Series
	fresh, device := map[sensors.SensorID]time.Duration{}, map[sensors.SensorID]int{}
	for _, one := range list {
		for _, name := range names(one) {
			series = append(series, sensors.Series{Sensor: name, Quantity: sensors.Temperature})
			fresh[name], device[name] = time.Duration(3*one.Device.Plan.Interval)*time.Minute, one.Device.Index
		}
	}
	last := map[int]sensors.Reading{}
	var points []point
	var stored []sensors.Reading
	for reading, err := range r.process.store.Scan(ctx, series, time.Unix(0, 0).AddDate(-2, 0, 0), farFuture) {
		if err != nil {
			return nil, err
		}
		if reading.Flag == sensors.Pass || reading.Flag == sensors.NotEvaluated {
			stored = append(stored, reading)
		}
	}
	slices.SortStableFunc(stored, func(a, b sensors.Reading) int { return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Sensor, b.Sensor)) })
	for _, reading := range stored {
		last[device[reading.Sensor]] = reading
		var values []float64
		for _, one := range last {
			if reading.Time.Sub(one.Time) <= fresh[one.Sensor] {
				values = append(values, one.Value)
			}
		}
		slices.Sort(values)
		middle := (values[len(values)/2] + values[(len(values)-1)/2]) / 2
		if n := len(points); n > 0 && points[n-1].at.Equal(reading.Time) {
			points[n-1].c = middle
			continue
		}
		points = append(points, point{reading.Time, middle})
	}
	return points, nil
}
