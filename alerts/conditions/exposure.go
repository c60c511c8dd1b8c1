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
}

// advance counts the stretch since the last evaluation by what it found.
func (x Exposure) advance(now time.Time, found alerts.Truth, limit DoseLimit) Exposure {
	if span := now.Sub(x.At); !x.At.IsZero() && span > 0 && found != alerts.Unknown {
		switch x.Truth {
		case alerts.True:
			x.Beyond += span
		case alerts.False:
			x.Beyond -= span
		case alerts.Between, alerts.Unknown:
		}
	}
	x.Beyond = max(0, min(x.Beyond, limit.For))
	if now.After(x.At) {
		x.At = now
	}
	x.Truth = found
	switch {
	case found == alerts.True && x.Since.IsZero():
		x.Since = now
	case found == alerts.False:
		x.Since = time.Time{}
	}
	return x
}

// spent reports whether the time allowed has run out.
func (x Exposure) spent(limit DoseLimit) bool { return x.Beyond >= limit.For }

// dose judges a value that harms only by lasting.
func (e evaluation) dose(
	c alerts.Condition, unit string, limit *DoseLimit, extreme *Point, x Exposure,
) (alerts.Observation, Exposure) {
	o := e.found(c, unit)
	if limit == nil {
		o.Truth, o.Detail = alerts.False, emptyRoom
		return o, Exposure{}
	}
	o.Limit = limit.Value
	if e.in.Blind || extreme == nil {
		return o, x.advance(e.in.Now, alerts.Unknown, *limit)
	}
	found := alerts.Above(extreme.Value, limit.Value, e.rules.deadband[c])
	x = x.advance(e.in.Now, found, *limit)
	o.Value, o.Truth = extreme.Value, found
	if found == alerts.True && !x.spent(*limit) {
		// Beyond the limit, not yet for long enough: nothing begins, and
		// what was begun does not end.
		o.Truth = alerts.Between
	}
	if found == alerts.False {
		return o, x
	}
	o.Detail = extreme.where()
	if !x.Since.IsZero() {
		o.Detail += fmt.Sprintf(", since %s (%s)", e.clock(x.Since), span(e.in.Now.Sub(x.Since)))
	}
	o.Detail += limit.by()
	return o, x
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
