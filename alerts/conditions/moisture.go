package conditions

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/harm"
	"rearguard/alerts/wording"
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
func (e evaluation) condensation(memory *RoomMemory) alerts.Observation {
	o := e.found(Condensation, "")
	if e.in.Limits.empty() || e.in.Surface == nil {
		memory.dismiss(Condensation)
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		if e.in.Surface == nil {
			o.Detail = wording.Say("no cold surface is given for the room")
		}
		return o
	}
	if !e.in.Blind && e.in.TemperatureC != nil && e.in.HumidityPercent != nil {
		e.sayCondensation(&o)
	}
	return e.rest(o, memory, shown(&o, e.in.Coldest, e.in.Dampest))
}

func (e evaluation) sayCondensation(o *alerts.Observation) {
	dewPoint, err := air.DewPointC(*e.in.TemperatureC, *e.in.HumidityPercent)
	if err != nil {
		// Too dry for a dew point, or not air: either way nothing to say.
		return
	}
	surface, how := 0.0, wording.Say("measured")
	switch {
	case e.in.Surface.TemperatureC != nil:
		surface = *e.in.Surface.TemperatureC
	case e.in.Coldest != nil:
		surface = e.in.Coldest.Value - e.in.Surface.BelowAirC
		how = wording.Say("assumed %s below the air", wording.Difference(e.in.Surface.BelowAirC, 1))
	default:
		return
	}
	o.Value, o.Limit = dewPoint, surface
	o.Truth = alerts.Above(dewPoint, surface, e.rules.deadband[Condensation])
	if o.Truth != alerts.False {
		o.Detail = wording.Say("dew point %s, coldest surface %s (%s)", wording.Value(dewPoint, 1, "°C"), wording.Value(surface, 1, "°C"), wording.Of(how))
	}
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
func (e evaluation) mould(memory *RoomMemory) alerts.Observation {
	o, m := e.found(MouldRisk, ""), &memory.Mould
	limit := e.in.Limits.MouldRisk
	if limit == nil {
		memory.dismiss(MouldRisk)
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		*m = Mould{}
		return o
	}
	o.Limit = limit.Value
	perHour, known := 0.0, false
	if e.in.Dampest != nil {
		perHour, known = e.growth(e.in.Dampest.Value)
	}
	if known {
		o.Truth = alerts.False
		if perHour > 0 {
			o.Truth = alerts.True
		}
	}
	o = e.rest(o, memory, testimony{"%", humidityOf, func(_ *SensorState, percent float64) alerts.Truth {
		switch perHour, known := e.growth(percent); {
		case !known:
			return alerts.Unknown
		case perHour > 0:
			return alerts.True
		}
		return alerts.False
	}, true})
	if o.Truth == alerts.Unknown {
		m.Known = false
		if m.Share > 0 && !m.At.IsZero() {
			e.sayUncounted(&o, m.At, wording.Say("mould index %s of 100 so far", wording.Number(100*m.Share, 0)))
		}
		return o
	}
	if span := e.in.Now.Sub(m.At); m.Known && span > 0 {
		m.Share = max(0, min(1, m.Share+m.PerHour*span.Hours()))
	}
	m.At, m.Known, m.PerHour = e.in.Now, true, perHour
	o.Value = 100 * m.Share
	if o.Truth == alerts.False {
		// The air is good again: nothing is left for a person to do.
		m.PerHour = -mouldRecoveryPerHour
		return o
	}
	if o.Value < limit.Value {
		o.Truth = alerts.Between
	}
	left := max(0, 1-m.Share) / perHour
	o.Detail = limit.by(wording.Say("mould index %s of 100; %s at %s humidity and %s; if it stays so, spores germinate in about %s",
		wording.Number(o.Value, 0), e.in.Dampest.where(), wording.Value(e.in.Dampest.Value, 0, "%"), wording.Value(*e.in.TemperatureC, 1, "°C"),
		wording.Value(left, 0, "h")))
	o.Due = e.in.Now.Add(durationOfMinutes(60 * left))
	return o
}

// growth is the part of germinating that spores do in an hour at a humidity in
// percent and the room's temperature, and whether it can be told.
func (e evaluation) growth(percent float64) (perHour float64, known bool) {
	if e.in.Blind || e.in.TemperatureC == nil {
		return 0, false
	}
	hours, err := harm.GerminationHours(*e.in.TemperatureC, percent)
	return 1 / hours, err == nil
}
