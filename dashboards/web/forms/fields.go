// Package forms reads what people type into the fields of a page, and notices
// a form that is sent twice.
package forms

import (
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"rearguard/dashboards/entry"
)

// Fields reads the fields of one form. A field that cannot be read is zero;
// Err keeps the first of them, so that a form is read in one go and asked
// once.
type Fields struct {
	url.Values
	// Zone is the time zone in which times are typed.
	Zone *time.Location
	err  error
}

// Err says which field could not be read first.
func (f *Fields) Err() error { return f.err }

// Refuse keeps what is wrong with a field.
func (f *Fields) Refuse(name, reason string) {
	f.keep(&entry.FieldError{Field: name, Reason: reason})
}

func (f *Fields) keep(err error) {
	if f.err == nil {
		f.err = err
	}
}

// Text reads a line.
func (f *Fields) Text(name string) string { return strings.TrimSpace(f.Get(name)) }

// Person reads the name of the person.
func (f *Fields) Person() string {
	who, err := entry.Who(f.Get("who"))
	if err != nil {
		f.keep(err)
	}
	return who
}

// Whole reads a whole number; an empty field is zero.
func (f *Fields) Whole(name string) int {
	s := f.Text(name)
	if s == "" {
		return 0
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		f.Refuse(name, "enter a whole number, digits only")
		return 0
	}
	return n
}

// Number reads a number that may have a fraction, after a point or a comma;
// an empty field is nil. Reason says what to enter.
func (f *Fields) Number(name, reason string) *float64 {
	return f.Between(name, math.Inf(-1), math.Inf(1), reason)
}

// Between reads a number within bounds; an empty field is nil.
func (f *Fields) Between(name string, low, high float64, reason string) *float64 {
	s := f.Text(name)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil || math.IsInf(v, 0) || !(v >= low && v <= high) {
		f.Refuse(name, reason)
		return nil
	}
	return &v
}

// NumberOr reads a number; an empty field is otherwise.
func (f *Fields) NumberOr(name string, otherwise float64, reason string) float64 {
	if v := f.Number(name, reason); v != nil {
		return *v
	}
	return otherwise
}

// Needed reads a number that must not be left out.
func (f *Fields) Needed(name, reason string) float64 {
	if f.Text(name) == "" {
		f.Refuse(name, reason)
	}
	return f.NumberOr(name, 0, reason)
}

// localTime is how a browser sends a date with a time of day.
const localTime = "2006-01-02T15:04"

// Time reads a local time; an empty field is the zero time, which means now.
func (f *Fields) Time(name string) time.Time {
	if f.Text(name) == "" {
		return time.Time{}
	}
	return f.parse(name, localTime, f.Zone, "enter a date and time like 2026-05-14T09:10, or leave it empty for now")
}

// Date reads a day as its beginning in the zone. Reason says what to enter.
func (f *Fields) Date(name string, zone *time.Location, reason string) time.Time {
	return f.parse(name, time.DateOnly, zone, reason)
}

func (f *Fields) parse(name, layout string, zone *time.Location, reason string) time.Time {
	t, err := time.ParseInLocation(layout, f.Text(name), zone)
	if err != nil {
		f.Refuse(name, reason)
		return time.Time{}
	}
	return t
}
