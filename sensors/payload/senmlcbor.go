package payload

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/fxamacker/cbor/v2"
)

// The labels of SenML in CBOR (RFC 8428 section 6, table 4).
const (
	cborVersion   = -1
	cborBaseName  = -2
	cborBaseTime  = -3
	cborBaseUnit  = -4
	cborBaseValue = -5
	cborName      = 0
	cborUnit      = 1
	cborValue     = 2
	cborString    = 3
	cborBoolean   = 4
	cborTime      = 6
	cborData      = 8
)

// maxCBORRecords and maxCBORFields bound a pack beyond what its size in bytes
// does already.
const (
	maxCBORRecords = 16384
	maxCBORFields  = 64
)

// decimalFraction is the CBOR tag for a number written as an exponent of ten
// and a mantissa (RFC 8949 section 3.4.4).
const decimalFraction = 4

// readCBORRecords reads a SenML pack in CBOR (RFC 8428 section 6).
func readCBORRecords(body []byte, each func(*senMLRecord) error) error {
	mode, err := cbor.DecOptions{
		DupMapKey:        cbor.DupMapKeyEnforcedAPF,
		MaxNestedLevels:  8,
		MaxArrayElements: maxCBORRecords,
		MaxMapPairs:      maxCBORFields,
		UTF8:             cbor.UTF8RejectInvalid,
		IntDec:           cbor.IntDecConvertNone,
	}.DecMode()
	if err != nil {
		return fmt.Errorf("set up CBOR: %w", err)
	}
	var pack []map[any]any
	if err := mode.Unmarshal(body, &pack); err != nil {
		return err
	}
	for _, fields := range pack {
		r, err := cborRecord(fields)
		if err == nil {
			err = each(&r)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func cborRecord(fields map[any]any) (senMLRecord, error) {
	r := emptyRecord()
	var faults []error
	str := func(what string, v any) (string, bool) {
		s, ok := v.(string)
		if !ok {
			faults = append(faults, fmt.Errorf("%s is no string", what))
		}
		return s, ok
	}
	num := func(what string, v any) float64 {
		n, reason := cborNumber(v)
		if reason != "" {
			faults = append(faults, fmt.Errorf("%s: %s", what, reason))
		}
		return n
	}
	for key, v := range fields {
		label, isLabel := cborLabel(key)
		if !isLabel {
			if name, ok := key.(string); ok && strings.HasSuffix(name, "_") {
				faults = append(faults, fmt.Errorf("field %s must be understood and is not known", excerpt([]byte(name))))
			}
			continue
		}
		switch label {
		case cborVersion:
			r.version = num("version", v)
		case cborBaseName:
			r.baseName, r.hasBaseName = str("base name", v)
		case cborBaseTime:
			r.baseTime = num("base time", v)
		case cborBaseUnit:
			r.baseUnit, r.hasBaseUnit = str("base unit", v)
		case cborBaseValue:
			r.baseValue = num("base value", v)
		case cborName:
			r.name, _ = str("name", v)
		case cborUnit:
			r.unit, r.hasUnit = str("unit", v)
		case cborValue:
			r.value, r.valueFault = cborNumber(v)
		case cborTime:
			r.time, r.timeFault = cborNumber(v)
		case cborString, cborBoolean, cborData:
			r.other = true
		}
	}
	return r, errors.Join(faults...)
}

func cborLabel(key any) (int64, bool) {
	switch k := key.(type) {
	case uint64:
		return int64(k & math.MaxInt64), k <= math.MaxInt64
	case int64:
		return k, true
	}
	return 0, false
}

// cborNumber reads an integer, a float or a decimal fraction.
func cborNumber(v any) (float64, string) {
	switch n := v.(type) {
	case uint64:
		return float64(n), ""
	case int64:
		return float64(n), ""
	case float64:
		if math.IsNaN(n) || math.IsInf(n, 0) {
			return math.NaN(), "not a finite number"
		}
		return n, ""
	case cbor.Tag:
		if f, ok := decimal(n); ok {
			return f, ""
		}
	}
	return math.NaN(), "not a number"
}

func decimal(t cbor.Tag) (float64, bool) {
	parts, ok := t.Content.([]any)
	if t.Number != decimalFraction || !ok || len(parts) != 2 {
		return 0, false
	}
	exponent, ok := cborInteger(parts[0])
	if !ok {
		return 0, false
	}
	mantissa, ok := cborInteger(parts[1])
	if !ok {
		return 0, false
	}
	// Written out and read again, which rounds once where a multiplication
	// would round twice.
	f, err := strconv.ParseFloat(mantissa+"e"+exponent, 64)
	return f, err == nil
}

func cborInteger(v any) (string, bool) {
	switch n := v.(type) {
	case uint64:
		return strconv.FormatUint(n, 10), true
	case int64:
		return strconv.FormatInt(n, 10), true
	}
	return "", false
}
