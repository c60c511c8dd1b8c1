package wording

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"

	"rearguard/sensors/air"
)

// Language is one that a person reads.
type Language string

// The languages. The zero value is English.
const (
	English Language = ""
	German  Language = "de"
)

// Scale is a unit of temperature.
type Scale string

// The scales. The zero value is Celsius.
const (
	Celsius    Scale = ""
	Fahrenheit Scale = "fahrenheit"
)

// Reader is who reads: the zero value reads English, °C and UTC.
type Reader struct {
	Language Language
	Scale    Scale
	Zone     *time.Location
}

// catalogue is a language beside English. What it lacks is said in English.
type catalogue struct {
	// phrases have the English phrase for a key, reports are forms of what
	// other parts say, briefs short titles for a headline.
	phrases, reports, briefs map[string]string
	days                     [7]string
	months, monthsInFull     [12]string
	// short, long and full are the layouts of Clock, Moment and Date.
	short, long, full string
	point             string
	zones             map[string]string
}

func (r Reader) catalogue() *catalogue {
	if r.Language == German {
		return &german
	}
	return &english
}

// phrase is the format in the reader's language.
func (r Reader) phrase(format string) string {
	if words, ok := r.catalogue().phrases[format]; ok {
		return words
	}
	return format
}

// Phrase says a format of which the arguments have been said already.
func (r Reader) Phrase(format string, args ...any) string {
	return fmt.Sprintf(r.phrase(format), args...)
}

// Word says a phrase without arguments. Temperatures in it, as in what a
// definition advises, are told in the reader's unit.
func (r Reader) Word(phrase string) string { return r.converted(r.phrase(phrase)) }

// Brief says a title in few words, for a headline.
func (r Reader) Brief(title string) string {
	if words, ok := r.catalogue().briefs[title]; ok {
		return words
	}
	return r.Word(title)
}

// Report says what another part has said in English.
func (r Reader) Report(words string) string { return r.Say(Report(words)) }

// Say says a text.
func (r Reader) Say(t Text) string {
	switch {
	case t.report:
		return r.converted(r.catalogue().report(t.format))
	case len(t.args) == 0:
		return r.Word(t.format)
	}
	args := make([]any, len(t.args))
	for i := range t.args {
		args[i] = r.arg(&t.args[i])
	}
	return fmt.Sprintf(r.phrase(t.format), args...)
}

func (r Reader) arg(a *Arg) string {
	switch a.Is {
	case number:
		return r.value(a)
	case clock:
		return a.Time.In(r.zone()).Format("15:04")
	case dated:
		return r.layout(r.catalogue().short, r.catalogue().months, a.Time)
	case date:
		return r.layout(r.catalogue().full, r.catalogue().monthsInFull, a.Time)
	case span:
		return r.Roughly(a.Span)
	case nested:
		if a.Text != nil {
			return r.Say(*a.Text)
		}
	case missing:
		return r.Word("not known")
	case name:
	}
	return a.Words
}

// value says a number, with no more than its digits, in the reader's unit.
func (r Reader) value(a *Arg) string {
	v, unit := a.Number, a.Unit
	if r.Scale == Fahrenheit {
		switch {
		case unit == "°C/h":
			v, unit = v*9/5, "°F/h"
		case unit == "°C" && a.Difference:
			v, unit = v*9/5, "°F"
		case unit == "°C":
			v, unit = v*9/5+32, "°F"
		}
	}
	if a.Unitless {
		unit = ""
	}
	return r.Number(v, a.Digits, a.Signed) + r.unit(unit, v, a.Digits)
}

// mostDigits bounds what records may ask for.
const mostDigits = 6

// Number says a number in the way of the reader's language.
func (r Reader) Number(v float64, digits int, signed bool) string {
	text := strconv.FormatFloat(v, 'f', max(0, min(digits, mostDigits)), 64)
	if strings.Trim(text, "-0.") == "" {
		// No minus before a rounded zero.
		text = strings.TrimPrefix(text, "-")
	}
	if signed && !strings.HasPrefix(text, "-") {
		text = "+" + text
	}
	return strings.Replace(text, ".", r.catalogue().point, 1)
}

// unit is what stands behind a number.
func (r Reader) unit(unit string, v float64, digits int) string {
	if unit == "" {
		return ""
	}
	if one, ok := singular[unit]; ok && math.Abs(v-1) < 0.5*math.Pow10(-digits) {
		unit = one
	}
	return " " + r.phrase(unit)
}

// singular are the units that have another form for one.
var singular = map[string]string{"days": "day", "rooms": "room"}

// Measure is what a condition has measured.
type Measure struct {
	// Value and Limit are in Unit; without a unit there is no number.
	Value float64 `json:"value"`
	Limit float64 `json:"limit"`
	Unit  string  `json:"unit"`
	// Difference is set for one between temperatures.
	Difference bool `json:"difference,omitempty"`
	// AirC is the temperature in °C of the air of which Value, a vapour pressure
	// deficit in kPa, is told; nil where it is not known.
	AirC *float64 `json:"air_c,omitempty"`
}

// digitsOf are no more than a person can use: none for percent, spans of time
// and counts, two for kPa, one otherwise.
func digitsOf(unit string) int {
	switch unit {
	case "%", "min", "s", "h", "days", "rooms", "of 100", "% lethal dose", "":
		return 0
	case "kPa":
		return 2
	}
	return 1
}

// Quantity says a value with its unit.
func (r Reader) Quantity(v float64, unit string) string {
	return r.Plain(Measure{Value: v, Unit: unit})
}

// Plain says the value without what it means.
func (r Reader) Plain(m Measure) string {
	a := Quantity(m.Value, m.Unit)
	a.Difference = m.Difference
	return r.arg(&a)
}

// Measured says the value with what it means: beside a vapour pressure deficit
// the humidity that it is.
func (r Reader) Measured(m Measure) string { return r.meant(m.Value, m) }

// Limited says the limit likewise.
func (r Reader) Limited(m Measure) string { return r.meant(m.Limit, m) }

func (r Reader) meant(v float64, m Measure) string {
	m.Value = v
	if beside := r.Beside(m); beside != "" {
		return r.Plain(m) + " (" + beside + ")"
	}
	return r.Plain(m)
}

// Beside is what a vapour pressure deficit means, as a humidity; empty for what
// needs no words.
func (r Reader) Beside(m Measure) string {
	percent, ok := m.humidity()
	if !ok {
		return ""
	}
	t := Value(*m.AirC, 0, "°C")
	return r.Phrase("about %s at %s", r.Quantity(percent, "%"), r.arg(&t))
}

// humidity is the relative humidity in percent of which Value is the vapour
// pressure deficit.
func (m Measure) humidity() (float64, bool) {
	if m.Unit != "kPa" || m.AirC == nil {
		return 0, false
	}
	saturated, err := air.VPDkPa(*m.AirC, 0)
	if err != nil || saturated <= 0 || math.IsNaN(m.Value) {
		return 0, false
	}
	return max(0, min(100, 100*(1-m.Value/saturated))), true
}

// Short says the value for a headline: a humidity for a vapour pressure deficit,
// a span of time as people say one.
func (r Reader) Short(m Measure) string {
	if percent, ok := m.humidity(); ok {
		return r.Quantity(percent, "%")
	}
	unit := time.Duration(0)
	switch m.Unit {
	case "s":
		unit = time.Second
	case "min":
		unit = time.Minute
	case "h":
		unit = time.Hour
	}
	if unit > 0 && math.Abs(m.Value) < math.MaxInt64/float64(2*unit) {
		return r.Left(time.Duration(m.Value * float64(unit)))
	}
	return r.Plain(m)
}

// Left says a span in one figure: minutes below two hours but for the full hour,
// hours below two days.
func (r Reader) Left(d time.Duration) string {
	switch {
	case d < time.Minute:
		return r.arg(&Arg{Is: number, Number: 1, Unit: "min"})
	case d < 2*time.Hour && d%time.Hour != 0:
		return r.arg(&Arg{Is: number, Number: math.Floor(d.Minutes()), Unit: "min"})
	case d < 48*time.Hour:
		return r.arg(&Arg{Is: number, Number: math.Floor(d.Hours()), Unit: "h"})
	}
	return r.arg(&Arg{Is: number, Number: math.Floor(d.Hours() / 24), Unit: "days"})
}

// Roughly says a span: minutes up to three hours, then hours, then days.
func (r Reader) Roughly(d time.Duration) string {
	switch {
	case d < 3*time.Hour:
		return r.arg(&Arg{Is: number, Number: d.Minutes(), Unit: "min"})
	case d < 7*24*time.Hour:
		return r.arg(&Arg{Is: number, Number: d.Hours(), Digits: 1, Unit: "h"})
	}
	return r.arg(&Arg{Is: number, Number: d.Hours() / 24, Unit: "days"})
}

// Exactly says a span to the minute.
func (r Reader) Exactly(d time.Duration) string {
	d = max(d, 0).Round(time.Minute)
	var parts []string
	for _, p := range []struct {
		n    int
		unit string
	}{{int(d / (24 * time.Hour)), "days"}, {int(d % (24 * time.Hour) / time.Hour), "h"}, {int(d % time.Hour / time.Minute), "min"}} {
		if p.n > 0 && len(parts) < 2 {
			parts = append(parts, r.arg(&Arg{Is: number, Number: float64(p.n), Unit: p.unit}))
		}
	}
	if len(parts) == 0 {
		return r.Word("less than 1 min")
	}
	return strings.Join(parts, " ")
}

// Moment says an instant with day of the week and zone.
func (r Reader) Moment(t time.Time) string {
	return r.layout(r.catalogue().long, r.catalogue().months, t)
}

func (r Reader) zone() *time.Location {
	if r.Zone == nil {
		return time.UTC
	}
	return r.Zone
}

func (r Reader) layout(layout string, months [12]string, t time.Time) string {
	t = t.In(r.zone())
	zone, _ := t.Zone()
	if own, ok := r.catalogue().zones[zone]; ok {
		zone = own
	}
	return strings.NewReplacer(
		"{weekday}", r.catalogue().days[t.Weekday()], "{day}", strconv.Itoa(t.Day()), "{month}", months[t.Month()-1],
		"{year}", strconv.Itoa(t.Year()), "{clock}", t.Format("15:04"), "{zone}", zone,
	).Replace(layout)
}

// inWords finds a temperature, or two, in a sentence.
var inWords = regexp.MustCompile(`(-?\d+(?:[.,]\d+)?)(?:( \S+ )(-?\d+(?:[.,]\d+)?))? °C\b`)

// converted is a sentence with its temperatures, none of them a difference, in
// the reader's unit.
func (r Reader) converted(sentence string) string {
	if r.Scale != Fahrenheit || !strings.Contains(sentence, "°C") {
		return sentence
	}
	return inWords.ReplaceAllStringFunc(sentence, func(found string) string {
		parts := inWords.FindStringSubmatch(found)
		return r.fahrenheit(parts[1]) + parts[2] + r.fahrenheit(parts[3]) + " °F"
	})
}

func (r Reader) fahrenheit(digits string) string {
	v, err := strconv.ParseFloat(strings.Replace(digits, ",", ".", 1), 64)
	if err != nil {
		return digits
	}
	_, behind, _ := strings.Cut(strings.Replace(digits, ",", ".", 1), ".")
	return r.Number(v*9/5+32, len(behind), false)
}

// Capital is a sentence that begins with a capital letter.
func Capital(s string) string {
	for i, c := range s {
		return string(unicode.ToUpper(c)) + s[i+len(string(c)):]
	}
	return s
}
