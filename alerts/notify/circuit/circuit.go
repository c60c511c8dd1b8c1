// Package circuit knows which channels work. A channel that has failed several
// times in a row is open: nothing is sent by it but one message now and then, to
// see whether it works again. One success closes it. What counts is a failure of
// the channel, whoever it was to reach; that it refuses one person does not.
package circuit

import (
	"maps"
	"slices"
	"strings"
	"sync"
	"time"
)

const (
	// OpensAfter is after how many failures in a row a channel is open (common
	// practice, no published source).
	OpensAfter = 3
	// The pause between two messages to an open channel is leastPause, and later
	// this part of the time for which it has failed: what takes long to mend is
	// found mended late by that part at most (common practice, no published
	// source).
	leastPause = 2 * time.Second
	pausePart  = 4
	// hastyPause is the pause before one with urgent news that was not tried yet.
	hastyPause = time.Second
)

// State is how a channel stands that has failed.
type State struct {
	Channel string
	// Failures is how many attempts have failed in a row, the first of them at
	// Since, the last at Last by Problem.
	Failures    int
	Since, Last time.Time
	Problem     string
}

// Open reports whether it has failed often enough to be left alone.
func (s *State) Open() bool { return s.Failures >= OpensAfter }

// Board keeps the state of all channels. It is safe for use by several
// goroutines.
type Board struct {
	mu sync.Mutex
	// list are the channels that were used.
	list map[string]State
}

// New returns a board of channels of which nothing is known.
func New() *Board { return &Board{list: map[string]State{}} }

// Failed notes that a channel failed at a time.
func (b *Board) Failed(channel string, at time.Time, problem string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.list[channel]
	if s.Failures == 0 {
		s.Since = at
	}
	s.Channel, s.Last, s.Problem = channel, at, problem
	s.Failures++
	b.list[channel] = s
}

// Took notes that a channel took something, and says whether it had failed
// before or was not used yet.
func (b *Board) Took(channel string) (recovered bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s, used := b.list[channel]
	b.list[channel] = State{Channel: channel}
	return !used || s.Failures > 0
}

// Forget forgets all channels: they may not be the same any more.
func (b *Board) Forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.list = map[string]State{}
}

// Open reports whether a channel is open.
func (b *Board) Open(channel string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.list[channel]
	return s.Open()
}

// Probe is when an open channel is to be tried next, by a clock that says now:
// after a pause that grows up to the longest, or soon after the last attempt
// where what there is to send cannot wait.
func (b *Board) Probe(channel string, longest time.Duration, hasty bool, now time.Time) time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.list[channel]
	pause := min(longest, max(leastPause, s.Last.Sub(s.Since)/pausePart))
	if hasty {
		pause = hastyPause
	}
	at := s.Last.Add(pause)
	if at.Sub(now) > longest {
		// The clock was ahead when it failed.
		return now
	}
	return at
}

// States are the channels that are open, in order of their names.
func (b *Board) States() []State {
	b.mu.Lock()
	defer b.mu.Unlock()
	open := slices.DeleteFunc(slices.Collect(maps.Values(b.list)), func(s State) bool { return !s.Open() })
	slices.SortFunc(open, func(a, b State) int { return strings.Compare(a.Channel, b.Channel) })
	return open
}
