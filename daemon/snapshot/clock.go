package snapshot

import (
	"time"

	"rearguard/alerts/conditions"
)

// Clock is how the facility's time stands.
type Clock struct {
	// Doubt says what speaks against the machine's clock, since when; empty
	// while it is believed.
	Doubt PartTrouble
	ClockSteps
}

// ClockSteps tell how the time was moved.
type ClockSteps struct {
	// Steps is how often since the records began, Last the last time.
	Steps uint64    `json:"steps,omitempty"`
	Last  ClockStep `json:"last,omitzero"`
}

// ClockStep is a change of the time other than by its passing.
type ClockStep struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Why says what it rests on, in words.
	Why string `json:"why"`
}

// By is how far the time was moved, negative for back.
func (s ClockStep) By() time.Duration { return s.To.Sub(s.From) }

// Condition is the last step as the conditions see it.
func (s ClockSteps) Condition() conditions.ClockStep {
	return conditions.ClockStep{At: s.Last.To, By: s.Last.By(), Why: s.Last.Why}
}
