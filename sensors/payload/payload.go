// Package payload turns MQTT message bodies into measurements. A Spec says
// what a sensor's messages look like; New compiles it into a Decoder.
//
// Decoding is pure: it converts units and refuses what is not a finite number
// or one that no instrument can mean, and it leaves every judgement about
// plausibility to the quality package. Text
// that is not a number ("unavailable", "", NaN, true, null) is an error of a
// known kind and never a value.
package payload

import (
	"fmt"
	"time"

	"rearguard/sensors"
)

// Measurement is one decoded value.
type Measurement struct {
	Quantity sensors.Quantity
	// Value is finite and in the quantity's unit.
	Value float64
	// Time is the sensor's own time of the value in UTC. It is zero when the
	// payload carries none.
	Time time.Time
	// FromReceipt is set when Time was reckoned from the time of receipt
	// (SenML can say "five seconds ago"). It is then as uncertain as that, and
	// means nothing in a message that the broker had retained.
	FromReceipt bool
}

// Decoder decodes the messages of one sensor.
type Decoder interface {
	// Decode returns the measurements of one message. A message can be good
	// in part: then the good measurements come together with an error that
	// joins one *Error for each value that is bad. Received is the time of
	// receipt, against which formats with relative times are resolved. The
	// payload is not kept and not changed.
	//
	// A Decoder may hold state (Sparkplug does) and is not safe for
	// concurrent use.
	Decode(topic string, payload []byte, received time.Time) ([]Measurement, error)
}

// Listener is implemented by decoders that need messages of several topics.
type Listener interface {
	// Filters returns the topic filters whose messages Decode wants.
	Filters() []string
}

// Presencer is implemented by decoders of formats in which a sensor says
// whether it is there. The answer can change with each message decoded.
type Presencer interface {
	// Presence returns what the messages so far say.
	Presence() Presence
}

// Presence is whether a sensor has said that it is there.
type Presence uint8

// The presences. A sensor that is Gone has said so, or its broker has in its
// place (last will), and its earlier values are stale.
const (
	Unknown Presence = iota
	Here
	Gone
)

// Converser is implemented by decoders that must talk to the sensor.
type Converser interface {
	// Requests returns what should be published now, at QoS 0 and not
	// retained. It paces itself, so it may be called often: after each
	// message decoded and now and then while the broker is connected.
	Requests(now time.Time) []Request
	// Missed tells that messages may have been missed, as after a break of
	// the connection to the broker. With kept the broker still had the session:
	// what it held back comes, and what it does not hold back for anybody
	// (QoS 0) is missing.
	Missed(kept bool)
}

// Learner is implemented by decoders that learn from some messages what others
// mean. The broker does not send the former again once they are acknowledged,
// so what was learned is stored with them.
type Learner interface {
	// Memory returns what was learned so far, in the same form for the same
	// knowledge.
	Memory() ([]byte, error)
	// Recall takes up the memory of a decoder of the same sensor. What is about
	// values that are no longer wanted is left out.
	Recall(memory []byte) error
	// Missing says what it cannot understand messages without, as in "its unit
	// has not been stated"; empty while it understands them.
	Missing() string
}

// Request is a message to publish.
type Request struct {
	Topic   string
	Payload []byte
}

// Filters returns the topic filters to subscribe to for a sensor that is
// configured with topic and decoded by d.
func Filters(d Decoder, topic string) []string {
	if l, ok := d.(Listener); ok {
		return l.Filters()
	}
	return []string{topic}
}

// Format names how values are written into messages. The zero value is none.
type Format string

// The formats.
const (
	Plain     Format = "plain"
	JSON      Format = "json"
	SenML     Format = "senml"
	SenMLCBOR Format = "senml-cbor"
	Sparkplug Format = "sparkplug"
	Homie     Format = "homie"
)

// FormatNames are the names of all formats.
func FormatNames() []string {
	var names []string
	for _, f := range [...]Format{Plain, JSON, SenML, SenMLCBOR, Sparkplug, Homie} {
		names = append(names, string(f))
	}
	return names
}

// Spec describes a sensor's payload as the configuration gives it.
type Spec struct {
	Format Format
	// Topic is the topic the sensor is configured with. Sparkplug takes the
	// group, edge node and device from it, Homie the device; the other
	// formats do not look at it.
	Topic string
	// Time says where the event time is. Nil when the payload carries none,
	// and for formats that define their own time.
	Time *TimeSpec
	// Values lists the quantities to take from a message, at least one.
	Values []ValueSpec
}

// TimeSpec locates the event time in a JSON payload.
type TimeSpec struct {
	// At is a JSON pointer (RFC 6901).
	At string
	// Unit is s, ms, us or ns for a Unix time, or rfc3339 for a string.
	Unit string
}

// ValueSpec locates one quantity in the payload.
type ValueSpec struct {
	Quantity sensors.Quantity
	// At is a JSON pointer (RFC 6901) for json, a record name for senml, a
	// metric name for sparkplug, node/property for homie, and empty for plain.
	At string
	// Unit is the unit the sensor reports in, for example "°F". Empty means
	// the unit that the payload states, where the format has units, and the
	// quantity's own unit otherwise.
	Unit string
}

// Kind tells the ways in which a message can be unusable.
type Kind uint8

// The kinds of decoding errors.
const (
	// Empty is a message without a body. MQTT publishes one to delete a
	// retained message, so it is not a fault of the sensor.
	Empty Kind = iota + 1
	// Undecodable is a body that is not of the expected format at all.
	Undecodable
	// Absent is a message of the right format that lacks a value. Sensors
	// that report some quantities only now and then send such messages.
	Absent
	// NotANumber is a value that is present and no finite number: text,
	// boolean, null, NaN, infinity, or a number too large for a float64.
	NotANumber
	// BadUnit is a value in a unit that cannot be converted, or below
	// absolute zero on the Kelvin scale.
	BadUnit
	// BadTime is an event time that is absent or cannot be read. None of the
	// message's values is delivered, as their place in time is unknown.
	BadTime
	// Unresolved is a value whose meaning the decoder has not been told yet,
	// such as a Sparkplug alias before the birth message that defines it.
	Unresolved
	// Impossible is a number that no instrument can mean; see Meaningful.
	Impossible
)

var kindNames = [...]string{"", "empty", "undecodable", "absent", "not a number", "bad unit", "bad time", "unresolved", "impossible"}

// String returns the kind in words.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Error says why a message, or one value of it, is unusable.
type Error struct {
	Kind Kind
	// Quantity is the quantity concerned, zero when it is the whole message.
	Quantity sensors.Quantity
	// At is where in the payload the fault is, empty when nowhere special.
	At string
	// Reason says what is wrong and quotes at most a few bytes of the payload.
	Reason string
}

func (e *Error) Error() string {
	var subject string
	switch {
	case e.Quantity != 0 && e.At != "":
		subject = fmt.Sprintf("%s at %q: ", e.Quantity, e.At)
	case e.Quantity != 0:
		subject = e.Quantity.String() + ": "
	case e.At != "":
		subject = fmt.Sprintf("at %q: ", e.At)
	}
	return subject + e.Reason
}

// SpecError is a fault in a Spec. New joins all that it finds.
type SpecError struct {
	// Field is the path of the faulty field as in the configuration, for
	// example "values[1].unit" or "time.at".
	Field  string
	Reason string
}

func (e *SpecError) Error() string { return e.Field + ": " + e.Reason }

// excerptBytes bounds what an error quotes of a payload.
const excerptBytes = 24

// excerpt quotes the beginning of b for an error text.
func excerpt(b []byte) string {
	if len(b) > excerptBytes {
		return fmt.Sprintf("%q…", b[:excerptBytes])
	}
	return fmt.Sprintf("%q", b)
}
