package roomair

import (
	"time"

	"rearguard/alerts/conditions"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// SensorsOf is what the conditions see of a room's sensors. Listening is since
// when any could be heard. The last value is for people, and only written
// where somebody will read it: of a blind room, or of a sensor that is silent
// or at fault.
func SensorsOf(list []*desk.Sensor, now, listening time.Time, blind bool) []conditions.SensorState {
	out := make([]conditions.SensorState, len(list))
	for i, s := range list {
		state := conditions.SensorState{
			ID: s.Config().ID, Position: s.Config().Position, LastReading: s.Spoke(),
			Interval: s.Habit(), ExpectedSince: s.ExpectedSince(listening), Fault: s.Fault(now), FaultUnknown: s.FaultUnknown(now), Away: s.OnBench(),
			Temperature: measured(s, sensors.Temperature, now), Humidity: measured(s, sensors.RelativeHumidity, now),
		}
		t, known := s.Newest(sensors.Temperature)
		if s.Config().OnChange {
			state.GoneSince = s.GoneSince()
			if !s.Reported() {
				// Its last word holds for long, once there was one.
				state.Interval = s.HeardWithin() / conditions.SilentIntervals
			}
		}
		if known && (blind || state.Fault != "" || !state.GoneSince.IsZero() || now.Sub(s.Spoke()) >= conditions.SilentAfter(state.Interval)) {
			state.LastValue = conditions.Measured{Value: t.Value, Known: true}
		}
		out[i] = state
	}
	return out
}

func measured(s *desk.Sensor, q sensors.Quantity, now time.Time) conditions.Measured {
	reading, ok := s.Current(q, now)
	return conditions.Measured{Value: reading.Value, Known: ok}
}
