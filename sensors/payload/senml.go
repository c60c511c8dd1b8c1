package payload

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// senMLVersion is the version of RFC 8428, the highest that is understood.
const senMLVersion = 10

// firstAbsolute is the smallest time that is absolute: smaller ones are
// seconds from now (RFC 8428 section 4.5.3).
const firstAbsolute = 1 << 28

// senMLRecord is a record as it is in the pack. Numbers that are absent are
// NaN, which no record can carry.
type senMLRecord struct {
	baseName, baseUnit           string
	baseTime, baseValue, version float64
	name, unit                   string
	value, time                  float64

	hasBaseName, hasBaseUnit, hasUnit bool
	// other is set when the record has a value that is no number: a string, a
	// boolean or data. Integrals (s, bs) are not looked at.
	other bool
	// valueFault and timeFault say what is wrong with value and time.
	valueFault, timeFault string
}

func emptyRecord() senMLRecord {
	nan := math.NaN()
	return senMLRecord{baseTime: nan, baseValue: nan, version: nan, value: nan, time: nan}
}

// senML decodes SenML packs (RFC 8428) of either representation.
type senML struct {
	fields []field
	read   func(body []byte, each func(*senMLRecord) error) error
	// What follows is the state within one pack.
	base     senMLBase
	received time.Time
	found    []Measurement
	seen     []bool
	faults   []error
}

func newSenML(fields []field, read func([]byte, func(*senMLRecord) error) error) (Decoder, error) {
	var faults []error
	for i, f := range fields {
		if reason := checkSenMLName(f.at); reason != "" {
			faults = append(faults, &SpecError{fmt.Sprintf("values[%d].at", i), reason})
		}
	}
	return &senML{fields: fields, read: read, seen: make([]bool, len(fields))}, errors.Join(faults...)
}

// checkSenMLName checks a record's full name, base name and name together
// (RFC 8428 section 4.5.1).
func checkSenMLName(name string) string {
	if name == "" {
		return "a record name is wanted (base name and name together)"
	}
	for i, c := range []byte(name) {
		letter := c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= '0' && c <= '9'
		mark := c == '-' || c == ':' || c == '.' || c == '/' || c == '_'
		if !letter && (i == 0 || !mark) {
			return fmt.Sprintf("%s is no SenML name (letters, digits and - : . / _, beginning with a letter or digit)", excerpt([]byte(name)))
		}
	}
	return ""
}

func (d *senML) Decode(_ string, body []byte, received time.Time) ([]Measurement, error) {
	if len(body) == 0 {
		return nil, &Error{Kind: Empty, Reason: "empty message"}
	}
	d.base, d.received, d.found, d.faults = senMLBase{}, received, nil, nil
	clear(d.seen)
	if err := d.read(body, d.record); err != nil {
		return nil, &Error{Kind: Undecodable, Reason: "not SenML: " + err.Error()}
	}
	for i := range d.fields {
		if !d.seen[i] {
			d.faults = append(d.faults, d.fields[i].fault(Absent, "the pack has no such record"))
		}
	}
	return d.found, errors.Join(d.faults...)
}

// record resolves one record (RFC 8428 section 4.6). Its error makes the whole
// pack unusable.
func (d *senML) record(r *senMLRecord) error {
	if r.version > senMLVersion {
		return fmt.Errorf("version %g is newer than %d", r.version, senMLVersion)
	}
	resolved := d.base.resolve(r)
	for i := range d.fields {
		if d.fields[i].at == resolved.name {
			d.take(i, r, &resolved)
		}
	}
	return nil
}

// senMLBase holds the base fields in force. The zero value has none.
type senMLBase struct {
	name, unit  string
	time, value float64
}

// resolvedRecord is a record with the base fields applied.
type resolvedRecord struct {
	name, unit string
	// seconds is as RFC 8428 section 4.5.3 has it: since 1970, or from now.
	seconds float64
	// value is NaN where the record has no number. A base value alone is
	// none: it is there to be added to values.
	value float64
}

// resolve applies the base fields to r, after taking on those that r brings.
func (b *senMLBase) resolve(r *senMLRecord) resolvedRecord {
	if r.hasBaseName {
		b.name = r.baseName
	}
	if r.hasBaseUnit {
		b.unit = r.baseUnit
	}
	if !math.IsNaN(r.baseTime) {
		b.time = r.baseTime
	}
	if !math.IsNaN(r.baseValue) {
		b.value = r.baseValue
	}
	resolved := resolvedRecord{name: b.name + r.name, unit: b.unit, seconds: b.time, value: b.value + r.value}
	if r.hasUnit {
		resolved.unit = r.unit
	}
	if !math.IsNaN(r.time) {
		resolved.seconds += r.time
	}
	return resolved
}

// take makes a measurement of a record that is wanted.
func (d *senML) take(i int, r *senMLRecord, resolved *resolvedRecord) {
	f := &d.fields[i]
	fault := func(kind Kind, reason string) {
		d.seen[i] = true
		d.faults = append(d.faults, f.fault(kind, reason))
	}
	switch {
	case r.valueFault != "":
		fault(NotANumber, r.valueFault)
		return
	case r.timeFault != "":
		fault(BadTime, "time: "+r.timeFault)
		return
	case r.other:
		fault(NotANumber, "the record's value is no number")
		return
	case math.IsNaN(r.value):
		// A record of base fields only, or one with a sum.
		return
	}
	u := f.unit
	if resolved.unit != "" {
		var ok bool
		if u, ok = parseUnit(f.quantity, resolved.unit); !ok {
			fault(BadUnit, fmt.Sprintf("unit %s is none of %s", excerpt([]byte(resolved.unit)), f.quantity))
			return
		}
	}
	m, bad := f.measure(resolved.value, u)
	if bad != nil {
		d.seen[i] = true
		d.faults = append(d.faults, bad)
		return
	}
	seconds := resolved.seconds
	switch {
	case math.Abs(seconds) > lastSecond:
		fault(BadTime, fmt.Sprintf("time %g is outside the years 0 to 9999", seconds))
		return
	case seconds >= firstAbsolute:
		m.Time = unixSeconds(seconds)
	case seconds != 0:
		m.Time = d.received.Add(unixSeconds(seconds).Sub(time.Unix(0, 0))).UTC()
		m.FromReceipt = true
	}
	d.seen[i] = true
	d.found = append(d.found, m)
}
