// Package entry turns what a person typed on a page or sent to the HTTP API
// into engine commands. Every function is pure: it looks at a snapshot and the
// entry, and either returns a command the engine can take or says what is
// wrong and what to do.
package entry

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// ErrUnknown marks an entry about something that the facility does not have.
var ErrUnknown = errors.New("not known here")

// FieldError says which field of an entry cannot be used, and why.
type FieldError struct {
	// Field is the name of the form field or JSON key.
	Field string
	// Reason is a sentence without a full stop.
	Reason string
}

// Error implements error.
func (e *FieldError) Error() string { return e.Field + ": " + e.Reason }

// Bounds on what can be entered. They catch slips of the finger; they are
// house rules and not from a standard.
const (
	maxName  = 80
	maxText  = 500
	maxCount = 1_000_000
	// maxLengthMM is longer than any caterpillar.
	maxLengthMM = 300
	// MaxShelve is the longest time an alarm may be silenced in one go
	// (ISA-18.2 asks for a limit and leaves its length to the site).
	MaxShelve = 24 * time.Hour
	minShelve = time.Minute
	// clockSlack is how far ahead of the engine's clock an entry may lie:
	// phones are a little fast.
	clockSlack = 2 * time.Minute
	// maxBack is how far back an entry may be dated.
	maxBack = 400 * 24 * time.Hour
)

var cohortName = regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{0,39}$`)

// Who cleans the name of the person and refuses an empty one.
func Who(name string) (string, error) {
	name, err := text("who", name, maxName)
	if err != nil {
		return "", err
	}
	if name == "" {
		return "", &FieldError{"who", "enter your name, so that others know who did this"}
	}
	return name, nil
}

// text trims s and refuses control characters and excessive length.
func text(field, s string, limit int) (string, error) {
	s = strings.TrimSpace(s)
	if !utf8.ValidString(s) {
		return "", &FieldError{field, "contains bytes that are not UTF-8 text"}
	}
	if utf8.RuneCountInString(s) > limit {
		return "", &FieldError{field, fmt.Sprintf("is longer than %d characters; shorten it", limit)}
	}
	for _, r := range s {
		if unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' {
			return "", &FieldError{field, "contains control characters; type it again"}
		}
	}
	return s, nil
}

// at fills in the engine's time for an entry without one and refuses times
// that cannot be meant.
func at(s *daemon.Snapshot, field string, t time.Time) (time.Time, error) {
	switch {
	case t.IsZero():
		return s.Time, nil
	case t.After(s.Time.Add(clockSlack)):
		return t, &FieldError{field, "lies in the future; enter when it happened"}
	case t.Before(s.Time.Add(-maxBack)):
		return t, &FieldError{field, "lies more than 400 days back; check the date"}
	}
	return t.UTC(), nil
}

// FindAlarm returns the alarm with the key.
func FindAlarm(s *daemon.Snapshot, key alerts.Key) (*daemon.AlarmView, error) {
	for i := range s.Alarms {
		if s.Alarms[i].Key == key {
			return &s.Alarms[i], nil
		}
	}
	return nil, fmt.Errorf("alarm %q in room %q is %w: it may have cleared meanwhile", key.Condition, key.Room, ErrUnknown)
}

// FindCohort returns the cohort with the id.
func FindCohort(s *daemon.Snapshot, id rearing.CohortID) (*daemon.CohortView, error) {
	for i := range s.Cohorts {
		if s.Cohorts[i].ID == id {
			return &s.Cohorts[i], nil
		}
	}
	return nil, fmt.Errorf("cohort %q is %w", id, ErrUnknown)
}

// FindRoom returns the room with the id.
func FindRoom(s *daemon.Snapshot, id sensors.RoomID) (*daemon.RoomView, error) {
	for i := range s.Rooms {
		if s.Rooms[i].ID == id {
			return &s.Rooms[i], nil
		}
	}
	return nil, fmt.Errorf("room %q is %w", id, ErrUnknown)
}

// FindSensor returns the sensor with the id.
func FindSensor(s *daemon.Snapshot, id sensors.SensorID) (*daemon.SensorView, error) {
	for i := range s.Sensors {
		if s.Sensors[i].ID == id {
			return &s.Sensors[i], nil
		}
	}
	return nil, fmt.Errorf("sensor %q is %w", id, ErrUnknown)
}

// FindSpecies returns the species with the id.
func FindSpecies(s *daemon.Snapshot, id rearing.SpeciesID) (*daemon.SpeciesView, error) {
	for i := range s.Species {
		if s.Species[i].ID == id {
			return &s.Species[i], nil
		}
	}
	return nil, fmt.Errorf("species %q is %w", id, ErrUnknown)
}

// Acknowledge takes on an alarm.
func Acknowledge(s *daemon.Snapshot, key alerts.Key, who string) (daemon.Acknowledge, error) {
	if _, err := FindAlarm(s, key); err != nil {
		return daemon.Acknowledge{}, err
	}
	who, err := Who(who)
	return daemon.Acknowledge{Key: key, Who: who}, err
}

// Shelve silences an alarm for a limited time.
func Shelve(s *daemon.Snapshot, key alerts.Key, who string, length time.Duration, reason string) (daemon.Shelve, error) {
	if _, err := FindAlarm(s, key); err != nil {
		return daemon.Shelve{}, err
	}
	who, err := Who(who)
	if err != nil {
		return daemon.Shelve{}, err
	}
	reason, err = text("reason", reason, maxText)
	if err != nil {
		return daemon.Shelve{}, err
	}
	if reason == "" {
		return daemon.Shelve{}, &FieldError{"reason", "say why this alarm may be silent"}
	}
	if length < minShelve || length > MaxShelve {
		return daemon.Shelve{}, &FieldError{"for", fmt.Sprintf("choose between 1 minute and %d hours", int(MaxShelve.Hours()))}
	}
	return daemon.Shelve{Key: key, Who: who, For: length, Reason: reason}, nil
}

// Unshelve ends a shelving.
func Unshelve(s *daemon.Snapshot, key alerts.Key, who string) (daemon.Unshelve, error) {
	if _, err := FindAlarm(s, key); err != nil {
		return daemon.Unshelve{}, err
	}
	who, err := Who(who)
	return daemon.Unshelve{Key: key, Who: who}, err
}
