// Package timekeeping owns the time of a facility. Its Keeper is shown the
// machine's clocks and what else tells the time, and says what time is
// believed: the wall clock as long as nothing speaks against it, and otherwise
// a count of the time that passes, until two sources agree.
//
// It reads no clock itself, so the same looks give the same time.
package timekeeping

import "time"

// Beat is one look at the clocks of the machine.
type Beat struct {
	// Wall is the time that the machine says it is, which may step.
	Wall time.Time
	// Elapsed is the time passed since some instant that stays the same while
	// the program runs. It never steps and never goes back.
	Elapsed time.Duration
	// Disciplined is set when the kernel says that the wall clock follows a
	// source of time. Not being set says nothing.
	Disciplined bool
}

// Right is a look at a machine whose clock is right: its wall moves as time
// passes.
func Right(now time.Time) Beat {
	return Beat{Wall: now, Elapsed: now.Sub(epoch()), Disciplined: true}
}

// epoch is where Right counts from: any time will do that is the same for all.
func epoch() time.Time { return time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) }

// Step is a change of the believed time other than by its passing.
type Step struct {
	From, To time.Time
	// Given is the newest time that was given out before.
	Given time.Time
	// Why says what it rests on, in words.
	Why string
}

// By is how far the time was moved, negative for back.
func (s Step) By() time.Duration { return s.To.Sub(s.From) }

// Reading is what the keeper makes of a beat.
type Reading struct {
	// Now is the believed time after the beat.
	Now time.Time
	// Step is set when the time was moved by this beat: up to Step.From it
	// passed, and went on at Step.To.
	Step *Step
	// Doubt says what speaks against the machine's clock, empty for nothing.
	// While there is doubt the believed time is not the machine's.
	Doubt string
}
