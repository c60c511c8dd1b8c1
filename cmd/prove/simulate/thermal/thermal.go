// Package thermal works out thermal time by a plain integral over readings, to
// hold against what the daemon makes of them.
package thermal

import (
	"cmp"
	"slices"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// Point is the air of a room at a time.
type Point struct {
	At time.Time
	C  float64
}

// Stretch is a time that a cohort was in a room, until the next stretch, and the
// air of that room.
type Stretch struct {
	From time.Time
	Air  []Point
}

// Device is what a sensor's name stands for: its number, for how long a reading
// of it holds, and until when it had that name.
type Device struct {
	Index int
	Fresh time.Duration
	Until time.Time
}

// Names are all names under which readings are stored.
type Names map[sensors.SensorID]Device

// Course is the air of a room as readings have it: of the devices heard lately
// the median.
func Course(readings []sensors.Reading, names Names) []Point {
	stored := slices.Clone(readings)
	slices.SortStableFunc(stored, func(a, b sensors.Reading) int { return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Sensor, b.Sensor)) })
	last := map[int]sensors.Reading{}
	var points []Point
	for _, reading := range stored {
		last[names[reading.Sensor].Index] = reading
		var values []float64
		for _, one := range last {
			if d := names[one.Sensor]; reading.Time.Sub(one.Time) <= d.Fresh && !reading.Time.After(desk.Later(one.Time, d.Until)) {
				values = append(values, one.Value)
			}
		}
		slices.Sort(values)
		middle := (values[len(values)/2] + values[(len(values)-1)/2]) / 2
		if n := len(points); n > 0 && points[n-1].At.Equal(reading.Time) {
			points[n-1].C = middle
			continue
		}
		points = append(points, Point{reading.Time, middle})
	}
	return points
}

// Time is the thermal time of a cohort above a threshold from its start to an
// end in degree-days, and up to when its air is known: straight lines between
// what is known, also across gaps.
func Time(start, end time.Time, thresholdC float64, way []Stretch) (total float64, reach time.Time) {
	at, lastC, known := start, 0.0, false
	for _, one := range pieces(way) {
		reach = desk.Later(reach, one.to.At)
		if !one.from.At.Before(end) {
			continue
		}
		if one.to.At.After(end) {
			one.to = Point{end, between(one.from, one.to, end)}
		}
		if gap := one.from.At.Sub(at); gap > 0 {
			if !known {
				lastC = one.from.C
			}
			total += above(lastC, one.from.C, thresholdC, gap)
		}
		total += above(one.from.C, one.to.C, thresholdC, one.to.At.Sub(one.from.At))
		at, lastC, known = one.to.At, one.to.C, true
	}
	return total, reach
}

// piece is a straight line of the air around a cohort.
type piece struct{ from, to Point }

func pieces(way []Stretch) []piece {
	var list []piece
	for i, s := range way {
		for k := 1; k < len(s.Air); k++ {
			a, b := s.Air[k-1], s.Air[k]
			from, to := desk.Later(a.At, s.From), b.At
			if i+1 < len(way) && way[i+1].From.Before(to) {
				to = way[i+1].From
			}
			if from.Before(to) {
				list = append(list, piece{Point{from, between(a, b, from)}, Point{to, between(a, b, to)}})
			}
		}
	}
	return list
}

// between is the value at a time on the line from a to b.
func between(a, b Point, at time.Time) float64 {
	return a.C + (b.C-a.C)*float64(at.Sub(a.At))/float64(b.At.Sub(a.At))
}

// above is the thermal time of a straight line, in steps.
func above(fromC, toC, thresholdC float64, span time.Duration) float64 {
	const steps = 8
	sum := 0.0
	for i := range steps {
		sum += max(0, fromC+(toC-fromC)*(float64(i)+0.5)/steps-thresholdC)
	}
	return sum / steps * span.Hours() / 24
}
