package conditions

import (
	"fmt"
	"time"

	"rearguard/alerts"
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
	return o
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
		o.Truth, o.Detail = alerts.False, emptyRoom
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
			e.sayUncounted(o, x.UnseenSince, span(x.Beyond)+" counted so far")
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
	o.Detail = extreme.where()
	if !x.Since.IsZero() {
		o.Detail += fmt.Sprintf(", since %s (%s", e.clock(x.Since), span(e.in.Now.Sub(x.Since)))
		if x.Missed >= time.Minute {
			o.Detail += fmt.Sprintf(", %s of it without data and not counted", span(x.Missed))
		}
		o.Detail += ")"
	}
	o.Detail += limit.by()
	return x
}

// notCounted begins what is said of a dose while there is no data.
const notCounted = "not counted since "

// sayUncounted adds that a dose goes on uncounted, neither growing nor falling
// back.
func (e evaluation) sayUncounted(o *alerts.Observation, since time.Time, soFar string) {
	if o.Detail != "" {
		o.Detail += "; "
	}
	o.Detail += notCounted + e.clock(since) + ", " + soFar
}

// span writes a duration for people: minutes up to three hours, then hours.
func span(d time.Duration) string {
	if d < 3*time.Hour {
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	if d < 7*24*time.Hour {
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
