package conditions

import (
	"fmt"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/harm"
	"rearguard/sensors/air"
)

// Surface is the coldest surface of a room, on which water condenses first.
type Surface struct {
	// TemperatureC is its measured temperature in °C; nil where it is taken
	// as BelowAirC degrees colder than the coldest air, which is an
	// assumption about the building.
	TemperatureC *float64
	BelowAirC    float64
}

const condensationDeadband = 0.5

// condensation compares the dew point with the coldest surface.
func (e evaluation) condensation() alerts.Observation {
	o := e.found(Condensation, "")
	if e.in.Limits.empty() || e.in.Surface == nil {
		o.Truth, o.Detail = alerts.False, emptyRoom
		if e.in.Surface == nil {
			o.Detail = "no cold surface is given for the room"
		}
		return o
	}
	if e.in.Blind || e.in.TemperatureC == nil || e.in.HumidityPercent == nil {
		return o
	}
	dewPoint, err := air.DewPointC(*e.in.TemperatureC, *e.in.HumidityPercent)
	if err != nil {
		// Too dry for a dew point, or not air: either way nothing to say.
		return o
	}
	surface, how := 0.0, "measured"
	switch {
	case e.in.Surface.TemperatureC != nil:
		surface = *e.in.Surface.TemperatureC
	case e.in.Coldest != nil:
		surface = e.in.Coldest.Value - e.in.Surface.BelowAirC
		how = fmt.Sprintf("assumed %.1f °C below the air", e.in.Surface.BelowAirC)
	default:
		return o
	}
	o.Value, o.Limit = dewPoint, surface
	o.Truth = alerts.Above(dewPoint, surface, e.rules.deadband[Condensation])
	if o.Truth == alerts.False {
		return o
	}
	o.Detail = fmt.Sprintf("dew point %.1f °C, coldest surface %.1f °C (%s)", dewPoint, surface, how)
	return o
}

// Mould is how far spores have come towards germinating, as a share of the
// time they take. It falls back once the air is out of their window, at the
// rate of a germination time of a day: spores dry out (an assumption).
type Mould struct {
	At    time.Time `json:"at,omitzero"`
	Share float64   `json:"share,omitempty"`
	// PerHour is the rate found at At, negative while drying out.
	PerHour float64 `json:"per_hour,omitempty"`
	Known   bool    `json:"known,omitempty"`
}

const mouldRecoveryPerHour = 1.0 / 24

// mould judges the dose of damp air within the temperature window of fungi.
func (e evaluation) mould(m Mould) (alerts.Observation, Mould) {
	o := e.found(MouldRisk, "")
	limit := e.in.Limits.MouldRisk
	if limit == nil {
		o.Truth, o.Detail = alerts.False, emptyRoom
		return o, Mould{}
	}
	o.Limit = limit.Value
	if e.in.Blind || e.in.TemperatureC == nil || e.in.Dampest == nil {
		m.Known = false
		return o, m
	}
	hours, err := harm.GerminationHours(*e.in.TemperatureC, e.in.Dampest.Value)
	if err != nil {
		m.Known = false
		return o, m
	}
	if span := e.in.Now.Sub(m.At); m.Known && span > 0 {
		m.Share = max(0, min(1, m.Share+m.PerHour*span.Hours()))
	}
	m.At, m.Known, m.PerHour = e.in.Now, true, 1/hours
	growing := m.PerHour > 0
	if !growing {
		m.PerHour = -mouldRecoveryPerHour
	}
	o.Value = 100 * m.Share
	switch {
	case !growing:
		// The air is good again: nothing is left for a person to do.
		o.Truth = alerts.False
		return o, m
	case o.Value >= limit.Value:
		o.Truth = alerts.True
	default:
		o.Truth = alerts.Between
	}
	left := max(0, 1-m.Share) * hours
	o.Detail = fmt.Sprintf("%s at %.0f %% RH and %.1f °C; if it stays so, spores germinate in about %.0f h%s",
		e.in.Dampest.where(), e.in.Dampest.Value, *e.in.TemperatureC, left, limit.by())
	o.Due = e.in.Now.Add(durationOfMinutes(60 * left))
	return o, m
}
