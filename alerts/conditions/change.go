package conditions

import (
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions/trend"
	"rearguard/alerts/wording"
)

func durationOfMinutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }

const (
	swingDeadband  = 0.5
	changeDeadband = 0.5
	// swingHours is how much of a day must be known to speak of its swing.
	swingHours = 12
)

// swing judges the range of the centre temperature over the last day.
func (e evaluation) swing(tr *trend.Trend) alerts.Observation {
	o := e.found(DaySwing, "°C")
	limit := e.in.Limits.DaySwing
	if limit == nil {
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		return o
	}
	o.Limit = limit.Value
	low, high, hours := math.Inf(1), math.Inf(-1), 0
	for _, h := range tr.Hours {
		if e.in.Now.Sub(h.Start) <= 24*time.Hour {
			low, high, hours = min(low, h.LowC), max(high, h.HighC), hours+1
		}
	}
	if hours == 0 {
		return o
	}
	o.Value = high - low
	o.Truth = alerts.Above(o.Value, limit.Value, e.rules.deadband[DaySwing])
	if hours < swingHours && o.Truth == alerts.False || e.in.Blind && o.Truth != alerts.True {
		// Too little of the day is known to say that all is well, or what is
		// known is of a part of it that passes out of sight.
		o.Truth = alerts.Unknown
	}
	if o.Truth == alerts.False {
		return o
	}
	o.Detail = limit.by(wording.Say("%s to %s within 24 h", wording.Value(low, 1, "°C").Bare(), wording.Value(high, 1, "°C")))
	return o
}

// fast judges how fast the centre temperature changes, by the bound nearer
// to no change: noise alone must not look fast.
func (e evaluation) fast(tr *trend.Trend, memory *RoomMemory) alerts.Observation {
	o := e.found(FastChange, "°C/h")
	limit := e.in.Limits.FastChange
	if limit == nil {
		memory.dismiss(FastChange)
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		return o
	}
	o.Limit = limit.Value
	if !e.in.Blind && e.in.TemperatureC != nil && tr.Temperature.Known {
		e.sayChange(&o, limit, tr)
	}
	foremost := e.in.Warmest
	if tr.Temperature.PerHour < 0 {
		foremost = e.in.Coldest
	}
	return e.rest(o, memory, shown(&o, foremost))
}

func (e evaluation) sayChange(o *alerts.Observation, limit *Limit, tr *trend.Trend) {
	s := tr.Temperature
	o.Value = math.Abs(s.PerHour)
	surely := 0.0
	switch {
	case s.Low > 0:
		surely = s.Low
	case s.High < 0:
		surely = -s.High
	}
	o.Truth = alerts.Above(surely, limit.Value, e.rules.deadband[FastChange])
	if usual, known := tr.Usual(e.in.Now); known && o.Truth == alerts.True && !usual.Leaving(*e.in.TemperatureC, s.PerHour) {
		// The room goes this way every day, when its set point changes.
		o.Truth = alerts.Between
	}
	if o.Truth == alerts.False && o.Value > limit.Value-e.rules.deadband[FastChange] {
		o.Truth = alerts.Between
	}
	if o.Truth != alerts.False {
		o.Detail = limit.by(wording.Say("changing by %s, now %s", wording.Change(s.PerHour, 1, "°C/h"), wording.Value(*e.in.TemperatureC, 1, "°C")))
	}
}
