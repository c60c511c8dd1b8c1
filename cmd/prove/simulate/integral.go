package simulate

import (
	"context"
	"maps"
	"slices"
	"time"

	"rearguard/cmd/prove/simulate/site"
	"rearguard/cmd/prove/simulate/thermal"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/past"
	"rearguard/sensors"
)

// integrate is the thermal time of a cohort up to a time in degree-days, by the
// stored readings, and up to when they reach.
func (r final) integrate(ctx context.Context, c *cohort, end time.Time) (total float64, reach time.Time, err error) {
	var way []thermal.Stretch
	for _, p := range c.places {
		air, err := r.course(ctx, p.Room)
		if err != nil {
			return 0, reach, err
		}
		way = append(way, thermal.Stretch{From: p.From, Air: air})
	}
	total, reach = thermal.Time(c.started, end, site.ThresholdC, way)
	return total, reach, nil
}

// names are all that a sensor has been called: each is the one before with a
// letter more. What was said under one holds no longer than the name.
func names(one *site.Sensor) thermal.Names {
	known := thermal.Names{}
	for i := range len(one.ID) - len(one.Device.ID) + 1 {
		d := thermal.Device{Index: one.Device.Index, Fresh: time.Duration(3*one.Device.Plan.Interval) * time.Minute, Until: past.FarFuture()}
		if i < len(one.Renamed) {
			d.Until = one.Renamed[i]
		}
		known[one.ID[:len(one.Device.ID)+i]] = d
	}
	return known
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

// course is the air of a room as its stored readings have it, those of sensors
// under all of their names.
func (r final) course(ctx context.Context, id sensors.RoomID) ([]thermal.Point, error) {
	known := thermal.Names{}
	var series []sensors.Series
	for _, one := range r.site.SensorsIn(id) {
		maps.Copy(known, names(one))
	}
	for name := range known {
		series = append(series, sensors.Series{Sensor: name, Quantity: sensors.Temperature})
	}
	if len(series) == 0 {
		return nil, nil
	}
	var stored []sensors.Reading
	for reading, err := range r.process.store.Scan(ctx, series, time.Unix(0, 0).AddDate(-2, 0, 0), past.FarFuture()) {
		if err != nil {
			return nil, err
		}
		if reading.Flag == sensors.Pass || reading.Flag == sensors.NotEvaluated {
			stored = append(stored, reading)
		}
	}
	return thermal.Course(stored, known), nil
}
