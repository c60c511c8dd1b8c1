package payload

import (
	"errors"
	"fmt"
	"time"
	"unicode/utf8"
)

// plain decodes a body that is one number in decimal text.
type plain struct{ value field }

func newPlain(fields []field) (Decoder, error) {
	var faults []error
	for i, f := range fields {
		if f.at != "" {
			faults = append(faults, &SpecError{fmt.Sprintf("values[%d].at", i), "a plain number has no places in it; leave this out"})
		}
	}
	if len(fields) > 1 {
		faults = append(faults, &SpecError{"values", fmt.Sprintf("a plain number is one value, not %d", len(fields))})
	}
	if len(faults) > 0 || len(fields) == 0 {
		return nil, errors.Join(faults...)
	}
	return &plain{fields[0]}, nil
}

func (d *plain) Decode(_ string, body []byte, _ time.Time) ([]Measurement, error) {
	if len(body) == 0 {
		return nil, &Error{Kind: Empty, Reason: "empty message"}
	}
	if !utf8.Valid(body) {
		return nil, &Error{Kind: Undecodable, Reason: "not text: invalid UTF-8 in " + excerpt(body)}
	}
	v, reason := parseNumber(body)
	if reason != "" {
		return nil, d.value.fault(NotANumber, reason)
	}
	m, fault := d.value.measure(v, d.value.unit)
	if fault != nil {
		return nil, fault
	}
	return []Measurement{m}, nil
}
