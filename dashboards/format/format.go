// Package format writes numbers, times and names as people read them.
package format

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// Number writes a value as people read it in its unit: tenths for degrees,
// whole percent, hundredths of kPa. Anything that is no number is a dash.
func Number(v float64, unit string) string {
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

// Optional writes a value with its unit; nil is a dash without a unit.
func Optional(v *float64, unit string) string {
	if v == nil {
		return "–"
	}
	return Value(*v, unit)
}

// Value writes a value with its unit.
func Value(v float64, unit string) string { return WithUnit(Number(v, unit), unit) }

// WithUnit joins a written number and its unit, which may be none.
func WithUnit(s, unit string) string {
	if unit == "" {
		return s
	}
	return s + "\u00a0" + unit
}

// Span writes a duration in the one or two units that matter, without sign.
func Span(d time.Duration) string {
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

// Age writes how long ago t was. Seconds are rounded down to tens, so that a
// page does not change with every tick.
func Age(now, t time.Time) string {
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
	return Span(d) + " ago"
}

// Clock writes a time of day, with the day when it is not today.
func Clock(now, t time.Time, loc *time.Location) string {
	if t.IsZero() {
		return "–"
	}
	n, l := now.In(loc), t.In(loc)
	days := DayNumber(l) - DayNumber(n)
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

// DayNumber counts calendar days, so that midnight and not 24 hours divides.
func DayNumber(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// Day writes a date of about this year.
func Day(t time.Time, loc *time.Location) string { return t.In(loc).Format("Mon 2 Jan") }

// Window writes a forecast's interval as precisely as it deserves.
func Window(now, early, late time.Time, loc *time.Location) string {
	if early.IsZero() || late.IsZero() {
		return "no interval"
	}
	if late.Sub(early) > 36*time.Hour {
		// So long an interval ends on another day.
		return Day(early, loc) + " – " + Day(late, loc)
	}
	to := Clock(now, late, loc)
	if DayNumber(early.In(loc)) == DayNumber(late.In(loc)) {
		to = late.In(loc).Format("15:04")
	}
	return Clock(now, early, loc) + " – " + to
}

// Event is the word for a forecast event on pages.
func Event(event species.EventName) string {
	switch event {
	case species.EventHatching:
		return "Hatching"
	case species.EventMoult:
		return "Moult"
	case species.EventPrepupa:
		return "Prepupa"
	case species.EventPupation:
		return "Pupation"
	case species.EventEclosion:
		return "Emergence"
	}
	return string(event)
}

// Quantity is the column heading of a quantity.
func Quantity(q sensors.Quantity) string {
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

// Percent writes a share of 0 to 1.
func Percent(share float64) string {
	if math.IsNaN(share) || math.IsInf(share, 0) {
		return "–"
	}
	if share > 0 && share < 0.01 {
		return "<1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*share)
}

// Plural writes a number of things with the word for one or many.
func Plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// Grouped writes a large whole number in groups of three digits.
func Grouped(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

// Capital makes the first letter a capital one.
func Capital(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[size:]
}
