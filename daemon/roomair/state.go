package roomair

import (
	"time"

	"rearguard/alerts/conditions"
	"rearguard/sensors/desk"
)

// StateOf is what the conditions see of the air of a room and of its sensors at
// a time, to which rearguard has listened since resumed.
func StateOf(air *Air, in []*desk.Sensor, at, resumed time.Time) conditions.RoomState {
	s := conditions.RoomState{
		Now: at, Blind: air.TemperatureC == nil,
		Warmest: air.Warmest, Coldest: air.Coldest, Driest: air.Driest, Dampest: air.Dampest, HighestVPD: air.HighestVPD,
		TemperatureC: air.TemperatureC, HumidityPercent: air.HumidityPercent,
	}
	if s.HumidityPercent != nil && *s.HumidityPercent > 100 {
		full := 100.0
		s.HumidityPercent = &full
	}
	s.Listening = s.Blind && listening(in, at, resumed)
	s.Sensors = SensorsOf(in, at, resumed, s.Blind)
	return s
}

// listening reports whether some sensor has not had the time in which it should
// have reported.
func listening(in []*desk.Sensor, at, resumed time.Time) bool {
	for _, s := range in {
		if at.Sub(s.ExpectedSince(resumed)) < s.HeardWithin() {
			return true
		}
	}
	return false
}
