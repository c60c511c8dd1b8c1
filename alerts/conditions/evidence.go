package conditions

import (
	"maps"
	"math"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
	"rearguard/sensors"
	"rearguard/sensors/air"
)

// Measured is a value that a sensor gives now, if it is Known.
type Measured struct {
	Value float64
	Known bool
}

// Witness is a sensor on which a finding rests, as it was when last heard.
//
// Harm is judged where the air is worst. When the sensor there falls silent or
// cannot be believed any more, the others say nothing about its place: what it
// found is then not over, it is not known. It is over once that sensor says so.
// A sensor that a person took away, to the bench or out of the configuration,
// no longer witnesses anything, for that person has been there: then the others
// decide, for as long as any alarm waits before it returns.
type Witness struct {
	Sensor   sensors.SensorID `json:"sensor"`
	Position string           `json:"position,omitempty"`
	// Value is the last that was believed, At when the sensor was heard then.
	Value float64   `json:"value"`
	At    time.Time `json:"at"`
}

// testimony is how the sensors of a room bear witness to a condition: what each
// of them measures, in which unit, and what that says.
type testimony struct {
	unit  string
	value func(*SensorState) Measured
	judge func(*SensorState, float64) alerts.Truth
	// alone is set where a value is judged by itself: the last one of a sensor
	// that is missed no longer counts once a limit has changed so that it lies
	// within.
	alone bool
}

func temperatureOf(s *SensorState) Measured { return s.Temperature }

func humidityOf(s *SensorState) Measured { return s.Humidity }

// vpdOf is in kPa.
func vpdOf(s *SensorState) Measured {
	if !s.Temperature.Known || !s.Humidity.Known {
		return Measured{}
	}
	vpd, err := air.VPDkPa(s.Temperature.Value, min(s.Humidity.Value, 100))
	return Measured{vpd, err == nil}
}

// beyond is testimony of sensors each of which is judged against the limit.
func (e evaluation) beyond(
	o *alerts.Observation, value func(*SensorState) Measured, judge func(value, limit, deadband float64) alerts.Truth,
) testimony {
	limit, deadband := o.Limit, e.rules.deadband[o.Key.Condition]
	return testimony{o.Unit, value, func(_ *SensorState, v float64) alerts.Truth { return judge(v, limit, deadband) }, true}
}

// shown is testimony, by temperature, to a finding that only all sensors
// together make, which rests on some of them.
func shown(o *alerts.Observation, on ...*Point) testimony {
	truth := o.Truth
	return testimony{"°C", temperatureOf, func(s *SensorState, _ float64) alerts.Truth {
		rests := slices.ContainsFunc(on, func(p *Point) bool { return p != nil && p.Sensor == s.ID })
		if truth == alerts.True && !rests {
			return alerts.Between
		}
		return truth
	}, false}
}

// rest takes note of the sensors on which a finding rests. One that is false
// only because some of these are not heard any more is not known, and says so.
func (e evaluation) rest(o alerts.Observation, memory *RoomMemory, say testimony) alerts.Observation {
	before := memory.Witnesses[o.Key.Condition]
	var after []Witness
	var lost *Witness
	for i := range e.in.Sensors {
		s := &e.in.Sensors[i]
		at := slices.IndexFunc(before, func(w Witness) bool { return w.Sensor == s.ID })
		v := say.value(s)
		if !v.Known {
			if at >= 0 && !s.Away && !(say.alone && say.judge(s, before[at].Value) == alerts.False) {
				w := before[at]
				after = append(after, w)
				if lost == nil || math.Abs(w.Value-o.Limit) > math.Abs(lost.Value-o.Limit) {
					lost = &w
				}
			}
			continue
		}
		if t := say.judge(s, v.Value); t == alerts.True || at >= 0 && t != alerts.False {
			after = append(after, Witness{s.ID, s.Position, v.Value, s.LastReading})
		}
	}
	memory.witness(o.Key.Condition, after)
	if lost != nil && (o.Truth == alerts.False || o.Truth == alerts.Unknown) {
		o.Truth, o.Detail = alerts.Unknown, e.lost(lost, say.unit)
	}
	return o
}

// lost says which sensor is missed.
func (e evaluation) lost(w *Witness, unit string) wording.Text {
	said := wording.Word("has said nothing")
	for i := range e.in.Sensors {
		if s := &e.in.Sensors[i]; s.ID == w.Sensor && s.LastReading.After(w.At) {
			said = wording.Word("has said nothing that can be believed")
		}
	}
	return wording.Say("the sensor that measured it, %s, %s since %s; last value %s",
		Point{Sensor: w.Sensor, Position: w.Position}.where(), said, e.clock(w.At), wording.Quantity(w.Value, unit))
}

// dismiss forgets on whom a finding rested, once nothing is to be found any
// more.
func (m *RoomMemory) dismiss(c alerts.Condition) { m.witness(c, nil) }

// witness keeps the witnesses of a condition. The map is replaced, never
// changed, since older memories share it.
func (m *RoomMemory) witness(c alerts.Condition, list []Witness) {
	if slices.Equal(m.Witnesses[c], list) {
		return
	}
	next := maps.Clone(m.Witnesses)
	if next == nil {
		next = make(map[alerts.Condition][]Witness, 1)
	}
	if next[c] = list; len(list) == 0 {
		delete(next, c)
	}
	m.Witnesses = next
}

// Rests reports whether a finding of a condition rests on any sensor.
func (m *RoomMemory) Rests(c alerts.Condition) bool { return len(m.Witnesses[c]) > 0 }
