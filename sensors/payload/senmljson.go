package payload

import (
	"bytes"
	"fmt"
	"math"
	"unicode/utf8"
)

// The labels of SenML in JSON (RFC 8428 section 4.3) that matter here, as
// targets of the scanner.
const (
	labelBaseName = iota
	labelBaseTime
	labelBaseUnit
	labelBaseValue
	labelVersion
	labelName
	labelUnit
	labelValue
	labelTime
	labelString
	labelBoolean
	labelData
	labels
)

// senMLJSON reads SenML packs in JSON (RFC 8428 section 5).
type senMLJSON struct {
	names  [labels]string
	places [labels]place
	found  [labels]token
}

func newSenMLJSON() *senMLJSON {
	j := &senMLJSON{names: [labels]string{"bn", "bt", "bu", "bv", "bver", "n", "u", "v", "t", "vs", "vb", "vd"}}
	for i := range j.places {
		j.places[i].targets = []int{i}
	}
	return j
}

func (j *senMLJSON) read(body []byte, each func(*senMLRecord) error) error {
	if !utf8.Valid(body) {
		return fmt.Errorf("invalid UTF-8 in %s", excerpt(body))
	}
	s := scanner{doc: body, found: j.found[:]}
	if s.peek() != '[' {
		return s.fail("an array of records is wanted")
	}
	err := s.items(']', func(int) error {
		if s.peek() != '{' {
			return s.fail("a record is wanted")
		}
		clear(s.found)
		if err := s.items('}', func(int) error { return s.member("a label", 1, j.place) }); err != nil {
			return err
		}
		r, err := j.record()
		if err != nil {
			return err
		}
		return each(&r)
	})
	if err != nil {
		return err
	}
	return s.end()
}

// place returns the place of a known label, nil for one to be left out.
func (j *senMLJSON) place(label []byte) (*place, error) {
	for i := range j.names {
		if j.names[i] == string(label) {
			return &j.places[i], nil
		}
	}
	if bytes.HasSuffix(label, []byte("_")) {
		// RFC 8428 section 4.4: whoever does not know the field must not use
		// the pack.
		return nil, fmt.Errorf("field %s must be understood and is not known", excerpt(label))
	}
	return nil, nil
}

// record makes a record of the tokens found. A base field that is wrong
// makes all that follows wrong, so it is an error of the pack.
func (j *senMLJSON) record() (senMLRecord, error) {
	r := emptyRecord()
	var err error
	str := func(label int) (string, bool) {
		t := j.found[label]
		if t.kind == absent {
			return "", false
		}
		if t.kind != text {
			err = fmt.Errorf("%q is no string", j.names[label])
			return "", false
		}
		raw := t.raw
		if bytes.IndexByte(raw, '\\') >= 0 {
			if raw, err = unescape(raw); err != nil {
				return "", false
			}
		}
		return string(raw), true
	}
	num := func(label int) (float64, string) {
		t := j.found[label]
		switch t.kind {
		case absent:
			return math.NaN(), ""
		case number:
			v, reason := parseNumber(t.raw)
			if reason != "" {
				v = math.NaN()
			}
			return v, reason
		case text:
			return math.NaN(), fmt.Sprintf("%q is text, not a number", j.names[label])
		}
		return math.NaN(), t.complaint()
	}
	base := func(label int) float64 {
		v, reason := num(label)
		if reason != "" && err == nil {
			err = fmt.Errorf("%q: %s", j.names[label], reason)
		}
		return v
	}
	r.baseName, r.hasBaseName = str(labelBaseName)
	r.baseUnit, r.hasBaseUnit = str(labelBaseUnit)
	r.name, _ = str(labelName)
	r.unit, r.hasUnit = str(labelUnit)
	r.baseTime, r.baseValue, r.version = base(labelBaseTime), base(labelBaseValue), base(labelVersion)
	r.time, r.timeFault = num(labelTime)
	r.value, r.valueFault = num(labelValue)
	r.other = j.found[labelString].kind != absent || j.found[labelBoolean].kind != absent || j.found[labelData].kind != absent
	return r, err
}
