package payload

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// jsonDecoder takes values out of a JSON document by pointer.
type jsonDecoder struct {
	fields []field
	root   place
	// timeAt is empty when the payload carries no time. The time's target is
	// the one behind the fields.
	time   *TimeSpec
	timing timeUnit
}

func newJSON(t *TimeSpec, fields []field) (Decoder, error) {
	d := &jsonDecoder{fields: fields, time: t}
	var faults []error
	add := func(path, pointer string, target int) {
		tokens, err := parsePointer(pointer)
		if err != nil {
			faults = append(faults, &SpecError{path, err.Error()})
			return
		}
		d.root.add(tokens, target)
	}
	for i, f := range fields {
		add(fmt.Sprintf("values[%d].at", i), f.at, i)
	}
	if t != nil {
		var ok bool
		if d.timing, ok = timeUnits()[t.Unit]; !ok {
			faults = append(faults, &SpecError{"time.unit", fmt.Sprintf("unknown time unit %q (want s, ms, us, ns or rfc3339)", t.Unit)})
		}
		if t.At == "" {
			faults = append(faults, &SpecError{"time.at", "a JSON pointer to the time is wanted, as in \"/time\""})
		} else {
			add("time.at", t.At, len(fields))
		}
	}
	return d, errors.Join(faults...)
}

func (d *jsonDecoder) Decode(_ string, body []byte, _ time.Time) ([]Measurement, error) {
	if len(body) == 0 {
		return nil, &Error{Kind: Empty, Reason: "empty message"}
	}
	if !utf8.Valid(body) {
		return nil, &Error{Kind: Undecodable, Reason: "not text: invalid UTF-8 in " + excerpt(body)}
	}
	var found [maxValues + 1]token
	s := scanner{doc: body, found: found[:len(d.fields)+1]}
	if err := s.scan(&d.root); err != nil {
		return nil, &Error{Kind: Undecodable, Reason: "not JSON: " + err.Error()}
	}
	var at time.Time
	if d.time != nil {
		var reason string
		if at, reason = readTime(s.found[len(d.fields)], d.timing); reason != "" {
			return nil, &Error{Kind: BadTime, At: d.time.At, Reason: "time: " + reason}
		}
	}
	measurements := make([]Measurement, 0, len(d.fields))
	var faults []error
	for i := range d.fields {
		m, fault := d.fields[i].read(s.found[i])
		if fault != nil {
			faults = append(faults, fault)
			continue
		}
		m.Time = at
		measurements = append(measurements, m)
	}
	return measurements, errors.Join(faults...)
}

// read makes a measurement of t.
func (f *field) read(t token) (Measurement, *Error) {
	switch t.kind {
	case number, text:
		v, reason := parseNumber(t.raw)
		if reason != "" {
			return Measurement{}, f.fault(NotANumber, reason)
		}
		return f.measure(v, f.unit)
	case absent:
		return Measurement{}, f.fault(Absent, "the message has no such value")
	}
	return Measurement{}, f.fault(NotANumber, t.complaint())
}

// complaint says why t, which is neither number nor string, is no value.
func (t token) complaint() string {
	switch t.kind {
	case absent:
		return "the message has none"
	case repeated:
		return "the message has it more than once"
	case container:
		if t.raw[0] == '[' {
			return "is an array, not a number"
		}
		return "is an object, not a number"
	}
	return strings.TrimSpace(string(t.raw)) + " is not a number"
}
