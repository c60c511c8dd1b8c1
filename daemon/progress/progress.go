// Package progress is the proof that alarms are being evaluated and told: each
// stage of the way says when it has done its work and when some of it waits.
// That a handler answers, or that a goroutine exists, proves nothing.
package progress

import (
	"fmt"
	"sync/atomic"
	"time"
)

// Stage is one stage of the way from a reading to a person.
type Stage uint8

// The stages, in the order of the way.
const (
	// Tick: the engine has let the time pass and evaluated every alarm.
	Tick Stage = iota
	// Decide: what has been received is evaluated.
	Decide
	// Commit: what was decided is in the records.
	Commit
	// Tell: the outbox has been looked through, and what is due is under way.
	Tell
	stages
)

// bounds say what is too long for a stage.
type bounds struct {
	name, problem string
	// silent is how long the stage may give no sign of life, 0 for ever; late
	// how long its work may wait.
	silent, late time.Duration
}

// boundsOf are far above what a slow machine needs and far below what an
// animal stands (common practice, no published source).
func boundsOf(s Stage) bounds {
	return [...]bounds{
		Tick:   {name: "alarms", problem: "the engine does not evaluate alarms", silent: 30 * time.Second},
		Decide: {name: "readings", problem: "readings that have arrived are not evaluated", late: time.Minute},
		Commit: {name: "records", problem: "what was decided is not written to the records", late: time.Minute},
		Tell:   {name: "notices", problem: "notices that are due are not being sent", silent: 3 * time.Minute, late: 5 * time.Minute},
	}[s]
}

// Board keeps the signs of all stages. It is safe for use by several
// goroutines; the methods of a nil Board do nothing.
type Board struct {
	elapsed func() time.Duration
	turns   [stages]atomic.Int64
	marks   [stages]mark
}

// mark is in nanoseconds of elapsed time.
type mark struct {
	// seen is the newest sign of life, waiting when work began to wait, 0 for
	// none.
	seen, waiting atomic.Int64
}

// New returns a board on which every stage has just done its work. Elapsed is
// the time since some start that no setting of a clock changes.
func New(elapsed func() time.Duration) *Board {
	b := &Board{elapsed: elapsed}
	for s := range stages {
		b.Done(s)
	}
	return b
}

// Done says that a stage has done its work and none waits.
func (b *Board) Done(s Stage) {
	if b == nil {
		return
	}
	b.turns[s].Add(1)
	b.marks[s].seen.Store(int64(b.elapsed()))
	b.marks[s].waiting.Store(0)
}

// Turns counts how often a stage has done its work since the board was made.
func (b *Board) Turns(s Stage) int64 { return b.turns[s].Load() - 1 }

// Waits says that work of a stage waits, since now if none did before.
func (b *Board) Waits(s Stage) {
	if b == nil {
		return
	}
	now := max(1, int64(b.elapsed()))
	b.marks[s].seen.Store(now)
	b.marks[s].waiting.CompareAndSwap(0, now)
}

// State is how a stage stands.
type State struct {
	// Of is the stage, Stage its name.
	Of    Stage
	Stage string
	OK    bool
	// For is how long it has given no sign of life or had work waiting,
	// whichever is too long; Problem says what that means. Both are zero for a
	// stage that is well.
	For     time.Duration
	Problem string
}

// Report gives the state of every stage, in the order of the way, none for a
// nil Board.
func (b *Board) Report() []State {
	if b == nil {
		return nil
	}
	list := make([]State, stages)
	now := b.elapsed()
	for s := range stages {
		limit := boundsOf(s)
		state := State{Of: s, Stage: limit.name, OK: true}
		stuck := func(since int64, most time.Duration) {
			if span := now - time.Duration(since); most > 0 && span > most {
				state.OK, state.For = false, max(state.For, span)
			}
		}
		stuck(b.marks[s].seen.Load(), limit.silent)
		if waiting := b.marks[s].waiting.Load(); waiting != 0 {
			stuck(waiting, limit.late)
		}
		if !state.OK {
			state.Problem = fmt.Sprintf("%s for %v", limit.problem, state.For.Round(time.Second))
		}
		list[s] = state
	}
	return list
}
