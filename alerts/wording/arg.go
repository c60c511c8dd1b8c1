package wording

import (
	"math"
	"time"
)

// Arg is one argument of a Text. The zero value is an empty name.
type Arg struct {
	Is kind `json:"is"`
	// Words are a name, which is the same in all languages.
	Words string `json:"words,omitempty"`
	// Number is in Unit and is said with so many Digits after the point.
	Number float64 `json:"number,omitempty"`
	Digits int     `json:"digits,omitempty"`
	Unit   string  `json:"unit,omitempty"`
	// Difference is set for one between two temperatures, Signed where a plus
	// is said too, Unitless where the unit follows with another number.
	Difference bool          `json:"difference,omitempty"`
	Signed     bool          `json:"signed,omitempty"`
	Unitless   bool          `json:"unitless,omitempty"`
	Time       time.Time     `json:"time,omitzero"`
	Span       time.Duration `json:"span,omitempty"`
	Text       *Text         `json:"text,omitempty"`
}

// kind says what an argument is.
type kind string

const (
	name    kind = "name"
	number  kind = "number"
	clock   kind = "clock"
	dated   kind = "dated"
	date    kind = "date"
	span    kind = "span"
	nested  kind = "text"
	missing kind = "missing"
)

// Name is what is not translated.
func Name[S ~string](s S) Arg { return Arg{Is: name, Words: string(s)} }

// Of is a text in a text.
func Of(t Text) Arg { return Arg{Is: nested, Text: &t} }

// Word is a phrase without arguments in a text, for example a title.
func Word(phrase string) Arg { return Of(Say(phrase)) }

// Number is one without a unit.
func Number(v float64, digits int) Arg { return Value(v, digits, "") }

// Value is a number with its unit, which is translated. What is in °C is a
// temperature; see Difference. What is no number is said to be missing.
func Value(v float64, digits int, unit string) Arg {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Arg{Is: missing}
	}
	return Arg{Is: number, Number: v, Digits: digits, Unit: unit}
}

// Quantity is a value with no more digits than a person can use in its unit.
func Quantity(v float64, unit string) Arg { return Value(v, digitsOf(unit), unit) }

// Difference is one of two temperatures in °C.
func Difference(v float64, digits int) Arg {
	a := Value(v, digits, "°C")
	a.Difference = a.Is == number
	return a
}

// Change is a number with its sign; in °C it is a difference.
func Change(v float64, digits int, unit string) Arg {
	a := Value(v, digits, unit)
	a.Difference, a.Signed = a.Is == number && unit == "°C", a.Is == number
	return a
}

// Bare is the number without its unit, which follows with another number.
func (a Arg) Bare() Arg {
	a.Unitless = true
	return a
}

// Clock is the time of day of an instant, with the date unless that is the same
// as the one of now in a zone, nil for UTC.
func Clock(t, now time.Time, zone *time.Location) Arg {
	if zone == nil {
		zone = time.UTC
	}
	is := dated
	if a, b := t.In(zone), now.In(zone); a.YearDay() == b.YearDay() && a.Year() == b.Year() {
		is = clock
	}
	return Arg{Is: is, Time: t.Round(0).UTC()}
}

// Date is an instant with its year.
func Date(t time.Time) Arg { return Arg{Is: date, Time: t.Round(0).UTC()} }

// Span is a stretch of time.
func Span(d time.Duration) Arg { return Arg{Is: span, Span: d} }

// Equal reports whether both say the same to everybody.
func (a Arg) Equal(b Arg) bool {
	if (a.Text == nil) != (b.Text == nil) || a.Text != nil && !a.Text.Equal(*b.Text) || !a.Time.Equal(b.Time) {
		return false
	}
	a.Text, a.Time = b.Text, b.Time
	return a == b
}

func (a Arg) moved(by time.Duration) Arg {
	if a.Text != nil {
		t := a.Text.Moved(by)
		a.Text = &t
	}
	if !a.Time.IsZero() {
		a.Time = a.Time.Add(by)
	}
	return a
}
