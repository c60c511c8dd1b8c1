package roomair

import (
	"time"

	"rearguard/alerts/conditions"
	"rearguard/sensors"
	"rearguard/sensors/air"
	"rearguard/sensors/desk"
)

// Air is the present air of a room. What is not known is nil.
type Air struct {
	// Warmest to HighestVPD are the extremes in °C, percent and kPa: harm
	// begins where the air is worst, so suspect sensors count here.
	Warmest, Coldest, Driest, Dampest, HighestVPD *conditions.Point
	// TemperatureC and HumidityPercent are medians of what can be trusted.
	TemperatureC, HumidityPercent *float64
	// Updated is the event time of the newest usable temperature, Usable how
	// many sensors gave one.
	Updated time.Time
	Usable  int
}

// AirOf combines the fresh values of a room's sensors.
func AirOf(list []*desk.Sensor, now time.Time) Air {
	var a Air
	var temperatures, humidities []float64
	for _, s := range list {
		t, okT := s.Current(sensors.Temperature, now)
		h, okH := s.Current(sensors.RelativeHumidity, now)
		if okT {
			highest(&a.Warmest, s, t.Value)
			lowest(&a.Coldest, s, t.Value)
			if t.Flag.Usable() {
				temperatures = append(temperatures, t.Value)
				a.Usable++
				a.Updated = desk.Later(a.Updated, t.Time)
			}
		}
		if okH {
			highest(&a.Dampest, s, h.Value)
			lowest(&a.Driest, s, h.Value)
			if h.Flag.Usable() {
				humidities = append(humidities, h.Value)
			}
		}
		if okT && okH {
			if vpd, err := air.VPDkPa(t.Value, min(h.Value, 100)); err == nil {
				highest(&a.HighestVPD, s, vpd)
			}
		}
	}
	if len(temperatures) > 0 {
		v := sensors.Median(temperatures)
		a.TemperatureC = &v
	}
	if len(humidities) > 0 {
		v := sensors.Median(humidities)
		a.HumidityPercent = &v
	}
	return a
}

// ExtremesOf are the warmest and coldest fresh temperature of a room, nil
// where none is fresh.
func ExtremesOf(list []*desk.Sensor, now time.Time) (warmest, coldest *conditions.Point) {
	for _, s := range list {
		if t, ok := s.Current(sensors.Temperature, now); ok {
			highest(&warmest, s, t.Value)
			lowest(&coldest, s, t.Value)
		}
	}
	return warmest, coldest
}

func highest(p **conditions.Point, s *desk.Sensor, value float64) {
	if *p == nil || value > (*p).Value {
		*p = pointOf(s, value)
	}
}

func lowest(p **conditions.Point, s *desk.Sensor, value float64) {
	if *p == nil || value < (*p).Value {
		*p = pointOf(s, value)
	}
}

func pointOf(s *desk.Sensor, value float64) *conditions.Point {
	return &conditions.Point{Value: value, Sensor: s.Config().ID, Position: s.Config().Position}
}
