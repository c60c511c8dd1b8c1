// Package sensors holds the types that travel from the wire to a trusted
// reading. The folders below it are the steps of that way: broker receives
// messages, payload decodes them, calibration corrects them, quality flags
// them, and air derives everything that follows from temperature and humidity.
package sensors

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// SensorID names one sensor of the facility, for example "nursery-north".
// The zero value names no sensor.
type SensorID string

// RoomID names one room of the facility, for example "nursery".
// The zero value names no room.
type RoomID string

// Place says whose air a sensor measures. The zero value leaves it open: that
// of the sensor's room, if it has one.
type Place string

// The places. Only the air of a room is the air of animals.
const (
	Room      Place = "room"
	Outdoor   Place = "outdoor"
	SupplyAir Place = "supply-air"
)

// Outside reports whether the air there is that of no room, and so follows the
// weather.
func (p Place) Outside() bool { return p == Outdoor || p == SupplyAir }

// Quantity is what one value measures. Each quantity has exactly one unit
// inside rearguard; payload decoders convert at the edge. The zero value is
// no quantity.
type Quantity uint8

// The quantities rearguard knows.
const (
	// Temperature is air temperature in degrees Celsius.
	Temperature Quantity = iota + 1
	// RelativeHumidity is relative humidity over water in percent, 0 to 100.
	RelativeHumidity
	// Battery is the remaining battery charge in percent, 0 to 100.
	Battery
	// SignalStrength is received radio power in dBm, usually -120 to -20.
	SignalStrength
)

var quantityNames = [...]string{"", "temperature", "humidity", "battery", "signal"}

// String returns the name used in configuration, records and pages.
func (q Quantity) String() string {
	if int(q) < len(quantityNames) {
		return quantityNames[q]
	}
	return fmt.Sprintf("quantity %d", uint8(q))
}

// ParseQuantity is the inverse of Quantity.String.
func ParseQuantity(name string) (Quantity, error) {
	for i, n := range quantityNames {
		if i > 0 && n == name {
			return Quantity(i), nil
		}
	}
	return 0, fmt.Errorf("unknown quantity %q (want temperature, humidity, battery or signal)", name)
}

// Unit returns the unit in which values of q are held.
func (q Quantity) Unit() string {
	switch q {
	case Temperature:
		return "°C"
	case RelativeHumidity, Battery:
		return "%"
	case SignalStrength:
		return "dBm"
	}
	return ""
}

// Flag is the IOOS QARTOD data-quality flag of one reading (U.S. Integrated
// Ocean Observing System, manuals for real-time quality control). The zero
// value is no flag and never stored.
type Flag uint8

// The QARTOD flags.
const (
	Pass         Flag = 1
	NotEvaluated Flag = 2
	Suspect      Flag = 3
	Fail         Flag = 4
	Missing      Flag = 9
)

// AgeUnknown is our own flag beside those of QARTOD: the value was measured, but
// nobody knows when. It is kept with the time of its arrival and feeds nothing.
const AgeUnknown Flag = 5

// String returns the flag's name in words.
func (f Flag) String() string {
	switch f {
	case Pass:
		return "pass"
	case NotEvaluated:
		return "not evaluated"
	case Suspect:
		return "suspect"
	case Fail:
		return "fail"
	case Missing:
		return "missing"
	case AgeUnknown:
		return "age unknown"
	}
	return fmt.Sprintf("flag %d", uint8(f))
}

// Usable reports whether a reading with this flag feeds room air and thermal
// time: only pass and not evaluated do.
func (f Flag) Usable() bool { return f == Pass || f == NotEvaluated }

// Series identifies one time series: one quantity of one sensor.
type Series struct {
	Sensor   SensorID
	Quantity Quantity
}

// CompareSeries orders series by sensor, then quantity.
func CompareSeries(a, b Series) int {
	return cmp.Or(strings.Compare(string(a.Sensor), string(b.Sensor)), cmp.Compare(a.Quantity, b.Quantity))
}

// Reading is one value of one quantity of one sensor at one event time.
type Reading struct {
	Series
	// Time is the event time in UTC at millisecond resolution: the sensor's
	// own time where the payload carries one, the time of receipt otherwise.
	Time time.Time
	// Arrival is when the reading reached rearguard (UTC, milliseconds). The
	// engine handles readings in order of arrival; replay does so again.
	Arrival time.Time
	// Raw is the decoded value in the quantity's unit, before calibration.
	Raw float64
	// Value is Raw after calibration.
	Value float64
	// Flag says how far Value can be trusted.
	Flag Flag
}

// Delivery is how the broker delivered a message. The zero value is at QoS 0, at
// once.
type Delivery struct {
	// Packet is its packet identifier, by which the broker tells messages under
	// way apart; 0 at QoS 0.
	Packet uint16
	// Again is set when the broker may have delivered it before (DUP, MQTT 3.1.1
	// section 3.3.1.1), under the same packet identifier.
	Again bool
	// Queued is set on a message that the broker may have kept while nobody
	// took it: its age is unknown.
	Queued bool
}

// Message is one MQTT application message as the broker link hands it on.
type Message struct {
	Topic string
	// Payload belongs to the receiver of the Message.
	Payload []byte
	// Retained is set on a value the broker had kept from before the
	// subscription (MQTT 3.1.1 section 3.3.1.3): its age is unknown.
	Retained bool
	// Received is the wall-clock time of receipt, UTC.
	Received time.Time
	Delivery
	// Ack tells the broker that the message is safely stored. It is never
	// nil, may be called from any goroutine, and must be called once, in the
	// order in which messages were received.
	Ack func()
}

// excerptKept bounds the bytes shown of a payload.
const excerptKept = 120

// Excerpt is the start of a message's payload, escaped for display.
func Excerpt(payload []byte) string {
	return strconv.QuoteToASCII(string(payload[:min(len(payload), excerptKept)]))
}

// Moved is a time moved by a span; one that is not set stays so.
func Moved(t time.Time, by time.Duration) time.Time {
	if t.IsZero() {
		return t
	}
	return t.Add(by)
}
