package conditions

import (
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

// RoomSign says whether one room looks as if its power were gone.
type RoomSign struct {
	Name string
	// Failing is set for a room that cools without its humidifier being seen
	// to run, or that is blind; Since is when that began.
	Failing bool
	Since   time.Time
	// Unseen is set for a room of which nothing is known yet.
	Unseen bool
}

// SignOf takes the sign of a room from its state and memory. A room whose
// humidifier is seen to hold the moisture has power and does not fail.
func SignOf(in *RoomState, memory *RoomMemory) RoomSign {
	s := RoomSign{Name: in.Name, Unseen: in.Blind && in.Listening}
	if s.Name == "" {
		s.Name = string(in.Room)
	}
	switch {
	case in.Blind && !in.Listening && in.heard():
		s.Failing, s.Since = true, in.BlindSince
	case memory.Trouble.Cause == CausePower,
		(memory.Trouble.Cause == Unclear || memory.Trouble.Cause == CauseWeak) && !memory.Trouble.Powered && memory.cooling():
		s.Failing, s.Since = true, memory.Trouble.Since
	}
	return s
}

// heard reports whether any sensor of the room ever reported: a facility that
// is only being set up has not lost its mains.
func (in *RoomState) heard() bool {
	for i := range in.Sensors {
		if !in.Sensors[i].LastReading.IsZero() {
			return true
		}
	}
	return false
}

// cooling reports whether the room is colder than it ever is and goes on
// cooling.
func (m *RoomMemory) cooling() bool {
	tr := &m.Trend
	return tr.Temperature.Known && tr.Temperature.High < 0 && len(tr.Samples) > 0 && m.Trouble.Range.Cold(tr.Now(), 0.5)
}

// mainsTogether is how close together rooms must have begun to fail for one
// cause to be behind them.
const mainsTogether = 45 * time.Minute

// mains judges all rooms together: what cannot be told of one room alone, a
// failed heater or failed mains, can be told of several at once.
func (in FacilityState) mains() alerts.Observation {
	o := in.found(MainsLost, "")
	if len(in.Rooms) < 2 {
		return o
	}
	if in.Broker.Known && !in.Broker.Working {
		// All rooms are blind then, whatever their power.
		o.Detail = wording.Say("without the broker nothing is heard of the rooms")
		return o
	}
	var names []string
	unseen := 0
	var first, last time.Time
	for _, r := range in.Rooms {
		if r.Unseen {
			unseen++
		}
		if !r.Failing {
			continue
		}
		names = append(names, r.Name)
		if first.IsZero() || r.Since.Before(first) {
			first = r.Since
		}
		if r.Since.After(last) {
			last = r.Since
		}
	}
	o.Value, o.Limit = float64(len(names)), float64(max(2, (len(in.Rooms)+1)/2))
	switch {
	case o.Value >= o.Limit && last.Sub(first) <= mainsTogether:
		o.Truth = alerts.True
		o.Detail = wording.Say("since %s: %s", wording.Clock(first, in.Now, in.Location), wording.Name(strings.Join(names, ", ")))
	case o.Value*2 > o.Limit:
		o.Truth = alerts.Between
	case (o.Value+float64(unseen))*2 > o.Limit:
		o.Detail = wording.Say("waiting for the first reports out of the rooms")
	default:
		o.Truth = alerts.False
	}
	return o
}
