package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rearguard/daemon"
	"rearguard/sensors"
)

// number writes a value as people read it in its unit: tenths for degrees,
// whole percent, hundredths of kPa. Anything that is no number is a dash.
func number(v float64, unit string) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	digits := 1
	switch unit {
	case "%", "dBm":
		digits = 0
	case "kPa":
		digits = 2
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if v < 0 {
		if zero := strings.Trim(s, "-0."); zero == "" {
			return strings.TrimPrefix(s, "-")
		}
		return "−" + strings.TrimPrefix(s, "-")
	}
	return s
}

// quantity writes a value with its unit; nil is a dash without a unit.
func quantity(v *float64, unit string) string {
	if v == nil {
		return "–"
	}
	return withUnit(number(*v, unit), unit)
}

func withUnit(s, unit string) string {
	if unit == "" {
		return s
	}
	return s + "\u00a0" + unit
}

// span writes a duration in the one or two units that matter, without sign.
func span(d time.Duration) string {
	if d < 0 {
		d = -d
	}
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 90*time.Minute:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		h, m := int(d.Hours()), int(d.Minutes())%60
		if h < 10 && m > 0 {
			return fmt.Sprintf("%d h %d min", h, m)
		}
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// age writes how long ago t was. Seconds are rounded down to tens, so that a
// page does not change with every tick.
func age(now, t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	d := now.Sub(t)
	switch {
	case d < -time.Second:
		return "in the future"
	case d < 10*time.Second:
		return "just now"
	case d < time.Minute:
		d = d.Truncate(10 * time.Second)
	}
	return span(d) + " ago"
}

// clock writes a time of day, with the day when it is not today.
func clock(now, t time.Time, loc *time.Location) string {
	if t.IsZero() {
		return "–"
	}
	n, l := now.In(loc), t.In(loc)
	days := dayNumber(l) - dayNumber(n)
	switch {
	case days == 0:
		return l.Format("15:04")
	case days == 1:
		return "tomorrow " + l.Format("15:04")
	case days == -1:
		return "yesterday " + l.Format("15:04")
	case days > 1 && days < 7:
		return l.Format("Mon 15:04")
	case l.Year() == n.Year():
		return l.Format("Mon 2 Jan 15:04")
	}
	return l.Format("2 Jan 2006 15:04")
}

// dayNumber counts calendar days, so that midnight and not 24 hours divides.
func dayNumber(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// window writes a forecast's interval as precisely as it deserves.
func window(now time.Time, e daemon.ExpectedEvent, loc *time.Location) string {
	early, late := e.Early.In(loc), e.Late.In(loc)
	if e.Early.IsZero() || e.Late.IsZero() {
		return "no interval"
	}
	if late.Sub(early) > 36*time.Hour {
		a, b := early.Format("Mon 2 Jan"), late.Format("Mon 2 Jan")
		if a == b {
			return a
		}
		return a + " – " + b
	}
	a, b := clock(now, e.Early, loc), clock(now, e.Late, loc)
	if dayNumber(early) == dayNumber(late) {
		b = late.Format("15:04")
	}
	return a + " – " + b
}

// eventName is the word for a forecast event on pages.
func eventName(event string) string {
	switch event {
	case "hatching":
		return "Hatching"
	case "moult":
		return "Moult"
	case "prepupa":
		return "Prepupa"
	case "pupation":
		return "Pupation"
	case "eclosion":
		return "Emergence"
	}
	return event
}

// quantityName is the column heading of a quantity.
func quantityName(q sensors.Quantity) string {
	switch q {
	case sensors.Temperature:
		return "Temperature"
	case sensors.RelativeHumidity:
		return "Humidity"
	case sensors.Battery:
		return "Battery"
	case sensors.SignalStrength:
		return "Signal"
	}
	return q.String()
}

// percent writes a share of 0 to 1.
func percent(share float64) string {
	if math.IsNaN(share) || math.IsInf(share, 0) {
		return "–"
	}
	if share > 0 && share < 0.01 {
		return "<1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*share)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// grouped writes a large whole number in groups of three digits.
func grouped(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}
