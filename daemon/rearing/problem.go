package rearing

import (
	"fmt"
	"strings"
)

// Problem is one fault of a species entry.
type Problem struct {
	// Name is the file or section; Line and Column count from 1 and are 0
	// when the fault has no place.
	Name         string
	Line, Column int
	// Path is where in the entry, for example "species[0].stages[2].spread".
	Path string
	// Message says what is wrong and what to do.
	Message string
	// Excerpt is the source line.
	Excerpt string
}

// Error implements error.
func (p Problem) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s", p.Name)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	fmt.Fprintf(&b, ": %s: %s", p.Path, p.Message)
	return b.String()
}

// Problems are all faults of one input, in order of place.
type Problems []Problem

// Error implements error.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// err returns ps as an error, nil when there is none.
func (ps Problems) err() error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}
