package alerts

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
)

// Severity is the class of what happens if nobody acts. The zero value is no
// class and is refused by NewMachine.
type Severity uint8

// The classes of consequence, mildest first.
const (
	// Minor: knowledge or comfort is lost, no animal is harmed by it alone.
	Minor Severity = iota + 1
	// Moderate: development is delayed or animals are weakened; reversible.
	Moderate
	// Major: part of a cohort is injured or lost.
	Major
	// Severe: a whole cohort or room may be lost.
	Severe
)

// String returns the lower-case name of the class.
func (s Severity) String() string {
	switch s {
	case Minor:
		return "minor"
	case Moderate:
		return "moderate"
	case Major:
		return "major"
	case Severe:
		return "severe"
	}
	return "none"
}

// The time classes of the priority rule. A console operator is seconds away
// from the plant; a keeper is in bed or on the road, so the classes are
// longer than the 3, 10 and 30 minutes used in control rooms (common
// practice, no published source).
const (
	urgentWithin = 30 * time.Minute
	soonWithin   = 2 * time.Hour
	nightWithin  = 8 * time.Hour
)

// priorityMatrix has a row for each severity and a column for each time
// class: less than 30 min, less than 2 h, less than 8 h, longer.
var priorityMatrix = [...][4]Priority{
	Minor:    {Medium, Low, Low, Low},
	Moderate: {High, Medium, Low, Low},
	Major:    {Critical, High, Medium, Low},
	Severe:   {Critical, Critical, High, Medium},
}

// PriorityFor is the printed rule by which a priority follows from the
// consequence class and the time a person has to respond:
//
//	            < 30 min   < 2 h      < 8 h    longer
//	minor       medium     low        low      low
//	moderate    high       medium     low      low
//	major       critical   high       medium   low
//	severe      critical   critical   high     medium
//
// It returns no priority (zero) for an unknown class or a time that is not
// positive.
func PriorityFor(consequence Severity, timeToRespond time.Duration) Priority {
	if consequence < Minor || consequence > Severe || timeToRespond <= 0 {
		return 0
	}
	row := priorityMatrix[consequence]
	switch {
	case timeToRespond < urgentWithin:
		return row[0]
	case timeToRespond < soonWithin:
		return row[1]
	case timeToRespond < nightWithin:
		return row[2]
	}
	return row[3]
}

// RepeatFor returns after which pauses alarms of a priority call again until
// somebody acknowledges them (common practice, no published source). The
// pauses grow, since whoever was woken needs time to come.
func RepeatFor(p Priority) []time.Duration {
	switch p {
	case Critical:
		return []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute}
	case High:
		return []time.Duration{30 * time.Minute}
	case Medium:
		return []time.Duration{4 * time.Hour}
	}
	return nil
}

// Definition is the rationalisation record of one condition: why it is an
// alarm, what to do, and how it is timed.
type Definition struct {
	Condition Condition
	// Title is a few words, for example "too hot".
	Title string
	// Cause, Consequence and FirstAction are one or two plain sentences for
	// somebody just woken up.
	Cause, Consequence, FirstAction string
	// TimeToRespond is how long a person has from the alarm until the
	// consequence sets in.
	TimeToRespond time.Duration
	// Severity is the class of the consequence.
	Severity Severity
	// OnDelay is how long the condition must be true before the alarm is
	// raised, OffDelay how long it must be false before it returns.
	OnDelay, OffDelay time.Duration
	// Deadband is how far, in Unit, a value must come back from the limit
	// to count as returned. It applies on return only (OPC UA Part 9 annex
	// B.1.5 and BACnet OUT_OF_RANGE), never on raising.
	Deadband float64
	Unit     string
	// NoticeUnit is the unit in which people are told a value of which the
	// observation gives none, since it is no quantity to be compared or summed up.
	NoticeUnit string
	// Difference is set where a value in °C is one of two temperatures.
	Difference bool
	// ReAlarm is how long after its acknowledgement an alarm that is still
	// active calls again; zero for never.
	ReAlarm time.Duration
	// Repeat holds the pauses after which an alarm that nobody acknowledges
	// calls again: the first after the first call, the last between all that
	// follow. Without any it calls once.
	Repeat []time.Duration
}

// Advice is what a notice and a page tell a person about an alarm.
type Advice struct {
	Cause         string        `json:"cause"`
	Consequence   string        `json:"consequence"`
	FirstAction   string        `json:"first_action"`
	TimeToRespond time.Duration `json:"time_to_respond"`
}

// Advice returns the definition's sentences for a person.
func (d Definition) Advice() Advice {
	return Advice{Cause: d.Cause, Consequence: d.Consequence, FirstAction: d.FirstAction, TimeToRespond: d.TimeToRespond}
}

// repeatAfter is when a call is repeated that has been repeated some times, the
// last time at last; zero for never.
func (d *Definition) repeatAfter(repeats int, last time.Time) time.Time {
	if len(d.Repeat) == 0 {
		return time.Time{}
	}
	return last.Add(d.Repeat[min(repeats, len(d.Repeat)-1)])
}

// Priority is the priority that PriorityFor derives for the definition.
func (d Definition) Priority() Priority { return PriorityFor(d.Severity, d.TimeToRespond) }

// Lethal reports whether all hands are called for the alarm at once: it is
// critical, and a whole cohort or room may be lost.
func (d Definition) Lethal() bool { return d.Severity == Severe && d.Priority() == Critical }

// Validate reports everything that keeps d from being an alarm.
func (d Definition) Validate() error {
	var faults []error
	bad := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if d.Condition == "" {
		bad("condition has no name")
	}
	for _, text := range []struct{ name, value string }{
		{"title", d.Title}, {"cause", d.Cause}, {"consequence", d.Consequence}, {"first action", d.FirstAction},
	} {
		if strings.TrimSpace(text.value) == "" {
			bad("%s is empty; an alarm without it is no alarm", text.name)
		}
	}
	if d.Priority() == 0 {
		bad("no priority follows from severity %q and %v to respond; give a class and a positive time", d.Severity, d.TimeToRespond)
	}
	if d.OnDelay < 0 || d.OffDelay < 0 || d.ReAlarm < 0 {
		bad("a delay is negative")
	}
	for _, pause := range d.Repeat {
		if pause < time.Minute {
			bad("%v is too short a pause before a call is repeated; give a minute or more", pause)
		}
	}
	if d.Deadband < 0 || math.IsNaN(d.Deadband) || math.IsInf(d.Deadband, 0) {
		bad("deadband %v is not a number from zero up", d.Deadband)
	}
	if len(faults) == 0 {
		return nil
	}
	return fmt.Errorf("definition of %q: %w", d.Condition, errors.Join(faults...))
}

// Above judges a value against an upper limit: true beyond it, between while
// it has come back by no more than the deadband, false below that. A value or
// limit that is not a finite number is unknown.
func Above(value, limit, deadband float64) Truth {
	switch {
	case !finite(value) || !finite(limit):
		return Unknown
	case value > limit:
		return True
	case value >= limit-deadband && deadband > 0:
		return Between
	}
	return False
}

// Below judges a value against a lower limit; see Above.
func Below(value, limit, deadband float64) Truth { return Above(-value, -limit, deadband) }

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
