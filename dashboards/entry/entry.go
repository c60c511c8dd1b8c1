// Package entry turns what a person typed on a page or sent to the HTTP API
// into engine commands. Every function is pure: it looks at a snapshot and the
// entry, and either returns a command the engine can take or says what is
// wrong and what to do.
package entry

import (
	"regexp"
	"time"
)

// FieldError says which field of an entry cannot be used, and why.
type FieldError struct {
	// Field is the name of the form field or JSON key.
	Field string
	// Reason is a sentence without a full stop.
	Reason string
}

func (e *FieldError) Error() string { return e.Field + ": " + e.Reason }

// Bounds on what can be entered. They catch slips of the finger; they are
// our own and not from a standard.
const (
	maxName  = 80
	maxText  = 500
	maxCount = 1_000_000
	// maxLengthMM is longer than any caterpillar.
	maxLengthMM = 300
	minShelve   = time.Minute
	// clockSlack is how far ahead of the engine's clock an entry may lie:
	// phones are a little fast.
	clockSlack = 2 * time.Minute
	// maxBack is how far back an entry may be dated.
	maxBack = 400 * 24 * time.Hour
)

var cohortName = regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{0,39}$`)

// Who cleans the name of the person and refuses an empty one.
func Who(name string) (string, error) {
	var c check
	if name = c.who(name); c.err != nil {
		return "", c.err
	}
	return name, nil
}
