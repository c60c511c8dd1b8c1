// Package dashtest holds what the tests of the dashboards share: a facility
// that is published by hand and keeps the commands it was given, and
// hand-made snapshots, among them ugly ones.
package dashtest

import (
	"context"
	"sync"

	"rearguard/daemon"
)

// Facility satisfies the interfaces of the dashboards with a snapshot set by
// hand. The zero value has no snapshot yet, like an engine that is starting.
type Facility struct {
	mu       sync.Mutex
	snapshot *daemon.Snapshot
	changed  chan struct{}
	commands []daemon.Command
	refuse   error
	given    chan daemon.Command
}

// New returns a facility that shows s.
func New(s *daemon.Snapshot) *Facility { return &Facility{snapshot: s} }

// Snapshot returns the snapshot published last.
func (f *Facility) Snapshot() *daemon.Snapshot {
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
func (f *Facility) Publish(s *daemon.Snapshot) {
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
func (f *Facility) Do(ctx context.Context, cmd daemon.Command) error {
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
func (f *Facility) Commands() []daemon.Command {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]daemon.Command(nil), f.commands...)
}

// Given returns a channel on which every further command arrives.
func (f *Facility) Given() <-chan daemon.Command {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.given = make(chan daemon.Command, 64)
	return f.given
}
