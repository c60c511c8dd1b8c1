package faults

import (
	"time"

	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// watch runs every quality test on the reports of a facility, as the daemon
// does, and hands each complaint on.
type watch struct {
	devices  map[sensors.SensorID]*watched
	order    []sensors.SensorID       // as first seen, so that a seed repeats exactly
	rooms    [][2]*quality.Neighbours // temperature and humidity of each room
	complain func(id sensors.SensorID, check quality.Check, t time.Time)
}

type watched struct {
	air     [2]*quality.Assessor
	habit   quality.Habit
	battery quality.BatteryWatch
}

func newWatch(rooms int, complain func(sensors.SensorID, quality.Check, time.Time)) *watch {
	w := &watch{devices: make(map[sensors.SensorID]*watched), complain: complain}
	for range rooms {
		var pair [2]*quality.Neighbours
		for i, q := range quantities() {
			pair[i] = quality.NewNeighbours(q, quality.DefaultNeighbourConfig(q))
		}
		w.rooms = append(w.rooms, pair)
	}
	return w
}

func quantities() [2]sensors.Quantity {
	return [2]sensors.Quantity{sensors.Temperature, sensors.RelativeHumidity}
}

// take assesses one report.
func (w *watch) take(id sensors.SensorID, room int, t time.Time, rep report) {
	d := w.devices[id]
	if d == nil {
		d = &watched{}
		for i, q := range quantities() {
			d.air[i] = quality.NewAssessor(q, quality.DefaultConfig(q))
		}
		w.devices[id] = d
		w.order = append(w.order, id)
	}
	d.habit.Observe(t)
	d.battery.Observe(t, rep.battery)
	for i, value := range [2]float64{rep.celsius, rep.percent} {
		flag, found := d.air[i].Assess(t, value)
		w.pass(id, t, found)
		if _, ok := d.air[i].Amendment(); ok {
			w.complain(id, quality.CheckSpike, t)
		}
		_, found = w.rooms[room][i].Observe(id, t, value, flag)
		w.pass(id, t, found)
	}
}

func (w *watch) pass(id sensors.SensorID, t time.Time, found []quality.Finding) {
	for _, f := range found {
		if !f.Flag.Usable() {
			w.complain(id, f.Check, t)
		}
	}
}

// tick looks for what no report can tell: silence, batteries, exchanges.
func (w *watch) tick(t time.Time) {
	for _, id := range w.order {
		d := w.devices[id]
		if _, silent := d.habit.Silent(t); silent {
			w.complain(id, quality.CheckSilent, t)
		}
		if f, bad := d.battery.Check(t); bad {
			w.complain(id, f.Check, t)
		}
	}
	for i := range 2 {
		all := make([]*quality.Neighbours, 0, len(w.rooms))
		for _, pair := range w.rooms {
			all = append(all, pair[i])
		}
		for _, s := range quality.FindSwaps(all, t) {
			w.complain(s.A, quality.CheckSwap, t)
			w.complain(s.B, quality.CheckSwap, t)
		}
	}
}
