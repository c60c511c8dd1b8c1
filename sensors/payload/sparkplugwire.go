package payload

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
)

// Field numbers of the Sparkplug B protobuf schema (specification chapter 6).
const (
	payloadTimestamp protowire.Number = 1
	payloadMetrics   protowire.Number = 2
	payloadSeq       protowire.Number = 3

	metricName       protowire.Number = 1
	metricAlias      protowire.Number = 2
	metricTimestamp  protowire.Number = 3
	metricDatatype   protowire.Number = 4
	metricHistorical protowire.Number = 5
	metricNull       protowire.Number = 7
	metricInt        protowire.Number = 10
	metricLong       protowire.Number = 11
	metricFloat      protowire.Number = 12
	metricDouble     protowire.Number = 13
	metricBoolean    protowire.Number = 14
	metricString     protowire.Number = 15
	metricExtension  protowire.Number = 19
)

// Data types of the schema.
const (
	typeInt8    = 1
	typeInt16   = 2
	typeInt32   = 3
	typeInt64   = 4
	typeUInt8   = 5
	typeUInt16  = 6
	typeUInt32  = 7
	typeUInt64  = 8
	typeBoolean = 11
)

// sparkplugHeader is what a payload says beside its metrics.
type sparkplugHeader struct {
	timestamp uint64
	seq       uint8
	hasSeq    bool
	bdSeq     uint64
	hasBdSeq  bool
}

// sparkplugMetric is one metric as it is on the wire. Name and text alias the
// payload.
type sparkplugMetric struct {
	name                          []byte
	alias, timestamp              uint64
	datatype                      uint32
	hasName, hasAlias, historical bool
	null                          bool
	// value is the number of the field that holds the value, 0 without one.
	value protowire.Number
	bits  uint64
	text  []byte
}

var errWire = errors.New("malformed protobuf")

// eachField calls f for each field of a protobuf message. Scalars come as
// bits, strings and messages as bytes; groups and unknown types are skipped.
func eachField(message []byte, f func(n protowire.Number, bits uint64, b []byte) error) error {
	for len(message) > 0 {
		n, t, size := protowire.ConsumeTag(message)
		if size < 0 {
			return errWire
		}
		message = message[size:]
		var bits uint64
		var content []byte
		switch t {
		case protowire.VarintType:
			bits, size = protowire.ConsumeVarint(message)
		case protowire.Fixed32Type:
			var v uint32
			v, size = protowire.ConsumeFixed32(message)
			bits = uint64(v)
		case protowire.Fixed64Type:
			bits, size = protowire.ConsumeFixed64(message)
		case protowire.BytesType:
			content, size = protowire.ConsumeBytes(message)
		default:
			return errWire // groups: the schema has none
		}
		if size < 0 {
			return errWire
		}
		message = message[size:]
		if err := f(n, bits, content); err != nil {
			return err
		}
	}
	return nil
}

// readHeader checks the payload's outer form and picks up what is not a
// metric, and the session number bdSeq, which is one.
func readHeader(body []byte) (h sparkplugHeader, err error) {
	err = eachField(body, func(n protowire.Number, bits uint64, b []byte) error {
		switch n {
		case payloadTimestamp:
			h.timestamp = bits
		case payloadSeq:
			if bits > math.MaxUint8 {
				return fmt.Errorf("sequence number %d is above 255", bits)
			}
			h.seq, h.hasSeq = uint8(bits), true
		case payloadMetrics:
			m, err := readMetric(b)
			if err != nil {
				return err
			}
			if (m.value == metricLong || m.value == metricInt) && string(m.name) == "bdSeq" {
				h.bdSeq, h.hasBdSeq = m.bits, true
			}
		}
		return nil
	})
	return h, err
}

func readMetric(b []byte) (m sparkplugMetric, err error) {
	err = eachField(b, func(n protowire.Number, bits uint64, content []byte) error {
		switch n {
		case metricName:
			if !utf8.Valid(content) {
				return errors.New("metric name is not UTF-8")
			}
			m.name, m.hasName = content, true
		case metricAlias:
			m.alias, m.hasAlias = bits, true
		case metricTimestamp:
			m.timestamp = bits
		case metricDatatype:
			m.datatype = uint32(bits)
		case metricHistorical:
			m.historical = bits != 0
		case metricNull:
			m.null = bits != 0
		default:
			if n >= metricInt && n <= metricExtension {
				m.value, m.bits, m.text = n, bits, content
			}
		}
		return nil
	})
	return m, err
}

// birth takes the wanted metrics out of the birth of this decoder's device,
// and what it defines for the messages that follow.
func (d *sparkplug) birth(body []byte, h *sparkplugHeader) ([]Measurement, error) {
	d.presence, d.refused = Here, false
	clear(d.known)
	measurements, faults, err := d.metrics(body, h, func(i int, m *sparkplugMetric) {
		d.known[i] = birthMetric{Born: true, HasAlias: m.hasAlias, Alias: m.alias, Datatype: m.datatype}
	})
	if err != nil {
		return nil, err
	}
	for i := range d.known {
		if !d.known[i].Born {
			faults = append(faults, d.fields[i].fault(Absent, "the device was born without such a metric"))
		}
	}
	return measurements, errors.Join(dedupe(faults)...)
}

// data takes the wanted metrics out of a later message of the device.
func (d *sparkplug) data(body []byte, h *sparkplugHeader) ([]Measurement, error) {
	measurements, faults, err := d.metrics(body, h, func(int, *sparkplugMetric) {})
	if err != nil {
		return nil, err
	}
	return measurements, errors.Join(dedupe(faults)...)
}

// metrics reads the wanted metrics of a payload. Each is shown with the index
// of its field before its value is read. The error is for a payload that
// cannot be read at all.
func (d *sparkplug) metrics(body []byte, h *sparkplugHeader, show func(i int, m *sparkplugMetric)) (measurements []Measurement, faults []error, err error) {
	err = eachField(body, func(n protowire.Number, _ uint64, b []byte) error {
		if n != payloadMetrics {
			return nil
		}
		metric, err := readMetric(b)
		if err != nil {
			return err
		}
		i, fault := d.find(&metric)
		if fault != nil {
			faults = append(faults, d.refuse(fault))
			return nil
		}
		if i < 0 {
			return nil
		}
		show(i, &metric)
		m, fault := d.fields[i].readMetric(&metric, d.known[i].Datatype, h.timestamp)
		if fault != nil {
			faults = append(faults, d.refuse(fault))
			return nil
		}
		measurements = append(measurements, m)
		return nil
	})
	if err != nil {
		return nil, nil, &Error{Kind: Undecodable, Reason: "not Sparkplug B: " + err.Error()}
	}
	return measurements, faults, nil
}

// refuse notes that a value could not be understood.
func (d *sparkplug) refuse(fault *Error) error {
	d.refused = d.refused || fault.Kind == Unresolved
	return fault
}

// dedupe keeps one of several equal faults: a message of many metrics whose
// aliases are unknown has one fault, not many.
func dedupe(faults []error) []error {
	var kept []error
	seen := map[string]bool{}
	for _, f := range faults {
		if text := f.Error(); !seen[text] {
			seen[text] = true
			kept = append(kept, f)
		}
	}
	return kept
}

// find returns the index of the field that metric is for, or -1.
func (d *sparkplug) find(metric *sparkplugMetric) (int, *Error) {
	if metric.hasName && len(metric.name) > 0 {
		for i := range d.fields {
			if d.fields[i].at == string(metric.name) {
				return i, nil
			}
		}
		return -1, nil
	}
	if !d.inSession || d.presence != Here {
		return -1, &Error{Kind: Unresolved, Reason: "values by alias are withheld until the edge node sends its birth again"}
	}
	for i := range d.known {
		if k := d.known[i]; k.Born && k.HasAlias && k.Alias == metric.alias && metric.hasAlias {
			return i, nil
		}
	}
	return -1, nil
}

// readMetric makes a measurement of a metric. Datatype is the one of the
// birth, as data messages need not repeat it.
func (f *field) readMetric(metric *sparkplugMetric, datatype uint32, sent uint64) (Measurement, *Error) {
	if metric.datatype != 0 {
		datatype = metric.datatype
	}
	v, fault := f.number(metric, datatype)
	if fault != nil {
		return Measurement{}, fault
	}
	m, fault := f.measure(v, f.unit)
	if fault != nil {
		return Measurement{}, fault
	}
	millis := metric.timestamp
	if millis == 0 {
		if metric.historical {
			return Measurement{}, f.fault(BadTime, "a value of the past without its time")
		}
		millis = sent
	}
	if millis > lastSecond*1000 {
		return Measurement{}, f.fault(BadTime, fmt.Sprintf("time %d ms is after the year 9999", millis))
	}
	if millis != 0 {
		m.Time = time.UnixMilli(int64(millis)).UTC()
	}
	return m, nil
}

func (f *field) number(metric *sparkplugMetric, datatype uint32) (float64, *Error) {
	if metric.null {
		return 0, f.fault(NotANumber, "null is not a number")
	}
	switch metric.value {
	case metricInt, metricLong:
		return f.integer(metric.bits, datatype)
	case metricFloat:
		// A float32 stands for the shortest decimal that reads back as the
		// same: 21.3, not 21.299999237.
		single := float64(math.Float32frombits(uint32(metric.bits)))
		v, err := strconv.ParseFloat(strconv.FormatFloat(single, 'g', -1, 32), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, f.fault(NotANumber, "not a finite number")
		}
		return v, nil
	case metricDouble:
		v := math.Float64frombits(metric.bits)
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, f.fault(NotANumber, "not a finite number")
		}
		return v, nil
	case metricString:
		v, reason := parseNumber(bytes.ToValidUTF8(metric.text, nil))
		if reason != "" {
			return 0, f.fault(NotANumber, reason)
		}
		return v, nil
	case metricBoolean:
		return 0, f.fault(NotANumber, "a boolean is not a number")
	case 0:
		return 0, f.fault(Absent, "the metric has no value")
	}
	return 0, f.fault(NotANumber, "the metric's value is no number")
}

// integer interprets the bits of an integer, whose sign only the data type
// tells: the schema holds all of them in unsigned fields.
func (f *field) integer(bits uint64, datatype uint32) (float64, *Error) {
	switch datatype {
	case typeInt8:
		return float64(int8(bits)), nil
	case typeInt16:
		return float64(int16(bits)), nil
	case typeInt32:
		return float64(int32(bits)), nil
	case typeInt64:
		return float64(int64(bits)), nil
	case typeUInt8, typeUInt16, typeUInt32, typeUInt64:
		return float64(bits), nil
	case 0:
		return 0, f.fault(Unresolved, "an integer whose type has not been told; the edge node's birth is wanted")
	}
	return 0, f.fault(NotANumber, fmt.Sprintf("data type %d is no number", datatype))
}
