// Package alerts is the alarm life cycle after ISA-18.2 and IEC 62682: an
// alarm is a condition that needs a timely action of a person. The package
// knows limits, rooms and sensors, and nothing of butterflies. The folder
// conditions says what can go wrong, notify brings the news to a person.
package alerts

import (
	"cmp"
	"time"

	"rearguard/alerts/wording"
	"rearguard/sensors"
)

// Condition names one kind of thing that can be wrong, for example "heat".
// Names are lower case with underscores; they are labels in metrics and keys
// in the configuration.
type Condition string

// Priority says how soon a person must act. It follows from consequence and
// time to respond, never from taste.
type Priority uint8

// The priorities, lowest first. The zero value is no priority.
const (
	Low Priority = iota + 1
	Medium
	High
	Critical
)

// String returns the lower-case name of the priority.
func (p Priority) String() string {
	switch p {
	case Low:
		return "low"
	case Medium:
		return "medium"
	case High:
		return "high"
	case Critical:
		return "critical"
	}
	return "none"
}

// Key identifies one alarm of the facility: what, where, and about whom or
// what. Subject is a sensor id, a cohort id, or empty for the room as a whole.
// Room is empty for alarms about rearguard itself.
type Key struct {
	Condition Condition      `json:"condition"`
	Room      sensors.RoomID `json:"room"`
	Subject   string         `json:"subject"`
}

// String returns the key as people read it in the audit: condition, room and
// subject, separated by blanks.
func (k Key) String() string {
	text := string(k.Condition)
	if k.Room != "" {
		text += " " + string(k.Room)
	}
	if k.Subject != "" {
		text += " " + k.Subject
	}
	return text
}

// Compare orders keys by room, condition and subject.
func (k Key) Compare(other Key) int {
	return cmp.Or(
		cmp.Compare(k.Room, other.Room),
		cmp.Compare(k.Condition, other.Condition),
		cmp.Compare(k.Subject, other.Subject),
	)
}

// Truth is what an evaluation found. No data is never the same as "false".
type Truth uint8

// The three findings.
const (
	// Unknown means there is not enough good data to tell; it holds the
	// alarm in its present state.
	Unknown Truth = iota
	// False means the value lies within the limit by more than the deadband.
	False
	// True means the value lies beyond the limit.
	True
	// Between means the value is back within the limit but not yet beyond
	// the deadband: an active alarm stays active, a normal one stays normal.
	Between
)

// Observation is one evaluation of one condition at one event time.
type Observation struct {
	Key   Key
	Time  time.Time
	Truth Truth
	// Value and Limit are in Unit; both are for people to read.
	Value, Limit float64
	Unit         string
	// AirC is the temperature in °C of the air of which Value, a vapour pressure
	// deficit, was told; nil for any other.
	AirC *float64
	// Detail completes the sentence a person reads, for example "shelf 2
	// (nursery-north), cohort atlas-3 in pupa; about 40 min to injury".
	Detail wording.Text
	// Due is the time by which a person must have acted, zero if unknown.
	Due time.Time
	// Root names the alarm of which this condition is known to be a
	// consequence, nil when only the folding rules decide.
	Root *Key
}
