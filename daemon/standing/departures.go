package standing

import (
	"slices"
	"time"

	"rearguard/sensors"
)

// departuresKept bounds the departures remembered of one sensor.
const departuresKept = 200

// Departures are when sensors that report on change were found to be gone:
// what they had said until then ceases to hold, also where the past is gone
// through again.
type Departures map[sensors.SensorID][]time.Time

// Note takes note that a sensor is gone from a time on.
func (d Departures) Note(id sensors.SensorID, at time.Time) {
	d[id] = append(d[id], at)
	d[id] = slices.Clone(d[id][max(0, len(d[id])-departuresKept):])
}

// Left reports whether a sensor went after one time and not after another.
func (d Departures) Left(id sensors.SensorID, after, upTo time.Time) bool {
	return slices.ContainsFunc(d[id], func(at time.Time) bool { return at.After(after) && !at.After(upTo) })
}

// Step takes in that the clock was moved to a time from a later one: what was
// noted in between is of now.
func (d Departures) Step(to time.Time) {
	for _, list := range d {
		for i := range list {
			if list[i].After(to) {
				list[i] = to
			}
		}
	}
}
