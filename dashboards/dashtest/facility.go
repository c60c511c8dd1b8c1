// Package dashtest holds what the tests of the dashboards share: a facility
// that is published by hand and keeps the commands it was given, and
// hand-made snapshots, among them ugly ones.
package dashtest

import (
	"context"
	"sync"

	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
)

// Facility satisfies the interfaces of the dashboards with a snapshot set by
// hand. The zero value has no snapshot yet, like an engine that is starting.
type Facility struct {
	mu       sync.Mutex
	snapshot *snapshot.Snapshot
	changed  chan struct{}
	commands []fold.Command
	refuse   error
	given    chan fold.Command
}

// New returns a facility that shows s.
func New(s *snapshot.Snapshot) *Facility { return &Facility{snapshot: s} }

// Snapshot returns the snapshot published last.
func (f *Facility) Snapshot() *snapshot.Snapshot {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.snapshot
}

// Changed returns a channel that is closed with the next Publish.
func (f *Facility) Changed() <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.changed == nil {
		f.changed = make(chan struct{})
	}
	return f.changed
}

// Publish replaces the snapshot and tells those who wait.
func (f *Facility) Publish(s *snapshot.Snapshot) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snapshot = s
	if f.changed != nil {
		close(f.changed)
		f.changed = nil
	}
}

// Refuse makes every following command fail with err; nil takes them again.
func (f *Facility) Refuse(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.refuse = err
}

// Do keeps the command.
func (f *Facility) Do(ctx context.Context, cmd fold.Command) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refuse != nil {
		return f.refuse
	}
	f.commands = append(f.commands, cmd)
	if f.given != nil {
		f.given <- cmd
	}
	return nil
}

// Commands returns the commands given so far.
func (f *Facility) Commands() []fold.Command {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]fold.Command(nil), f.commands...)
}

// Given returns a channel on which every further command arrives.
func (f *Facility) Given() <-chan fold.Command {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.given = make(chan fold.Command, 64)
	return f.given
}
