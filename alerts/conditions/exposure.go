package conditions

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/wording"
)

// Exposure is how long a value has been beyond a limit. Time beyond it counts
// up, time safely within it counts down at the same rate, never below zero
// nor above the time allowed: a short dip neither forgives a bad night nor
// does a bad night weigh on a good week. Time without data counts neither way.
type Exposure struct {
	// At is the time of the last evaluation, Truth what it found then.
	At    time.Time    `json:"at,omitzero"`
	Truth alerts.Truth `json:"truth,omitempty"`
	// Since is when the value went beyond the limit, zero while it is within.
	Since time.Time `json:"since,omitzero"`
	// Beyond is the time counted.
	Beyond time.Duration `json:"beyond,omitempty"`
	// Missed is how much of the time since Since had no data.
	Missed time.Duration `json:"missed,omitempty"`
	// UnseenSince is since when there has been no data, zero while there is.
	UnseenSince time.Time `json:"unseen_since,omitzero"`
}

// advance counts the stretch since the last evaluation by what it found.
func (x Exposure) advance(now time.Time, found alerts.Truth, limit DoseLimit) Exposure {
	if span := now.Sub(x.At); !x.At.IsZero() && span > 0 {
		switch {
		case found == alerts.Unknown || x.Truth == alerts.Unknown:
			x.Missed += span
		case x.Truth == alerts.True:
			x.Beyond += span
		case x.Truth == alerts.False:
			x.Beyond -= span
		}
	}
	x.Beyond = max(0, min(x.Beyond, limit.For))
	switch {
	case found != alerts.Unknown:
		x.UnseenSince = time.Time{}
	case x.UnseenSince.IsZero() && !x.At.IsZero():
		x.UnseenSince = x.At
	}
	if now.After(x.At) {
		x.At = now
	}
	x.Truth = found
	switch {
	case found == alerts.True && x.Since.IsZero():
		x.Since, x.Missed = now, 0
	case found == alerts.False:
		x.Since, x.Missed = time.Time{}, 0
	}
	return x
}

// spent reports whether the time allowed has run out.
func (x Exposure) spent(limit DoseLimit) bool { return x.Beyond >= limit.For }

// drying judges the greatest vapour pressure deficit.
func (e evaluation) drying(memory *RoomMemory) alerts.Observation {
	o := e.found(Drying, "kPa")
	memory.Drying = e.dose(&o, e.in.Limits.Drying, e.in.HighestVPD, vpdOf, memory, memory.Drying)
	if o.Truth == alerts.True || o.Truth == alerts.Between {
		e.sayAir(&o)
	}
	return o
}

// sayAir adds to a vapour pressure deficit, which few can picture, the air of
// the sensor that it was told of.
func (e evaluation) sayAir(o *alerts.Observation) {
	for i := range e.in.Sensors {
		s := &e.in.Sensors[i]
		if s.ID != e.in.HighestVPD.Sensor || !s.Temperature.Known || !s.Humidity.Known {
			continue
		}
		airC := s.Temperature.Value
		o.AirC = &airC
		o.Detail = wording.Say("%s humidity at %s, %s",
			wording.Value(min(s.Humidity.Value, 100), 0, "%"), wording.Value(s.Temperature.Value, 1, "°C"), wording.Of(o.Detail))
	}
}

// damp judges the greatest relative humidity.
func (e evaluation) damp(memory *RoomMemory) alerts.Observation {
	o := e.found(Damp, "%")
	memory.Damp = e.dose(&o, e.in.Limits.Damp, e.in.Dampest, humidityOf, memory, memory.Damp)
	return o
}

// dose judges a value that harms only by lasting.
func (e evaluation) dose(
	o *alerts.Observation, limit *DoseLimit, extreme *Point, value func(*SensorState) Measured, memory *RoomMemory, x Exposure,
) Exposure {
	c := o.Key.Condition
	if limit == nil {
		memory.dismiss(c)
		o.Truth, o.Detail = alerts.False, wording.Say(emptyRoom)
		return Exposure{}
	}
	o.Limit = limit.Value
	if !e.in.Blind && extreme != nil {
		o.Value = extreme.Value
		o.Truth = alerts.Above(extreme.Value, limit.Value, e.rules.deadband[c])
	}
	*o = e.rest(*o, memory, e.beyond(o, value, alerts.Above))
	x = x.advance(e.in.Now, o.Truth, *limit)
	switch o.Truth {
	case alerts.Unknown:
		if x.Beyond > 0 && !x.UnseenSince.IsZero() {
			e.sayUncounted(o, x.UnseenSince, wording.Say("%s counted so far", wording.Span(x.Beyond)))
		}
		return x
	case alerts.False:
		return x
	case alerts.True:
		if !x.spent(*limit) {
			// Beyond the limit, not yet for long enough: nothing begins, and
			// what was begun does not end.
			o.Truth = alerts.Between
		}
	case alerts.Between:
	}
	o.Detail = limit.by(e.lasting(extreme, &x))
	return x
}

// lasting says where a value is beyond its limit, and for how long.
func (e evaluation) lasting(extreme *Point, x *Exposure) wording.Text {
	long := wording.Span(e.in.Now.Sub(x.Since))
	switch {
	case x.Since.IsZero():
		return wording.Say("%s", extreme.where())
	case x.Missed >= time.Minute:
		return wording.Say("%s, since %s (%s, %s of it without data and not counted)", extreme.where(), e.clock(x.Since), long, wording.Span(x.Missed))
	}
	return wording.Say("%s, since %s (%s)", extreme.where(), e.clock(x.Since), long)
}

// notCounted is what is said of a dose while there is no data.
const notCounted = "not counted since %s, %s"

// sayUncounted adds that a dose goes on uncounted, neither growing nor falling
// back.
func (e evaluation) sayUncounted(o *alerts.Observation, since time.Time, soFar wording.Text) {
	uncounted := wording.Say(notCounted, e.clock(since), wording.Of(soFar))
	if o.Detail.IsZero() {
		o.Detail = uncounted
		return
	}
	o.Detail = o.Detail.And("; %s", wording.Of(uncounted))
}
