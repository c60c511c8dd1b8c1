package alerts

import (
	"fmt"
	"strings"
)

// Place is where an alarm is, for people: the name of the room, empty for the
// facility, with the sensor or cohort that the alarm is about.
func Place(room, subject string) string {
	if room == "" || subject == "" {
		return room + subject
	}
	return room + ", " + subject
}

// Headline is the first line a person reads: room and number first, then
// what is wrong. Room is the room's name, empty for the facility.
func Headline(d Definition, room string, value, limit float64, unit string) string {
	var b strings.Builder
	if unit == "" {
		if room != "" {
			b.WriteString(room + ": ")
		}
		b.WriteString(d.Title)
		return b.String()
	}
	if room != "" {
		b.WriteString(room + " ")
	}
	fmt.Fprintf(&b, "%s: %s (limit %s)", Quantity(value, unit), d.Title, Quantity(limit, unit))
	return b.String()
}

// Quantity writes a value with its unit and no more digits than a person can
// use: none for percent, spans of time and counts, two for kPa, one otherwise.
func Quantity(value float64, unit string) string {
	digits := 1
	switch unit {
	case "%", "min", "s", "h", "rooms", "":
		digits = 0
	case "kPa":
		digits = 2
	}
	text := fmt.Sprintf("%.*f", digits, value)
	if strings.Trim(text, "-0.") == "" {
		// No minus before a rounded zero.
		text = strings.TrimPrefix(text, "-")
	}
	if unit == "" {
		return text
	}
	return text + " " + unit
}
