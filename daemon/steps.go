package daemon

import (
	"context"

	"rearguard/daemon/fold"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// Commit writes batches in one transaction, as records.Store.Commit does.
type Commit func(context.Context, ...*records.Batch) error

// Steps drive an engine event by event in one goroutine, in the place of Run:
// who calls them decides what comes after what, and when something is written.
// Everything else is as it is live.
type Steps struct{ engine *Engine }

// Steps returns the steps of an engine. An engine that is driven by them must
// not be run as well.
func (e *Engine) Steps() Steps { return Steps{e} }

// Messages hands messages over together, at most 256. It reports false, and
// takes none, while too many wait to be written.
func (s Steps) Messages(ctx context.Context, list ...sensors.Message) (bool, error) {
	if s.engine.full() {
		return false, nil
	}
	acks := make([]func(), len(list))
	for i, m := range list {
		acks[i] = s.engine.admit(m)
	}
	return true, s.engine.handleAdmitted(ctx, acks)
}

// Tick looks at the machine's clocks.
func (s Steps) Tick(ctx context.Context, beat timekeeping.Beat) error {
	return s.engine.handleTick(ctx, beat)
}

// Link tells of a change of the broker link.
func (s Steps) Link(ctx context.Context, link snapshot.Link) error {
	return s.engine.handleLink(ctx, link)
}

// Notices tells what became of notices.
func (s Steps) Notices(ctx context.Context, state snapshot.NoticeState) error {
	return s.engine.handleNotices(ctx, state)
}

// Do carries out a command. The answer comes as from Engine.Do, once the
// command is written or known to be late; the error ends the run.
func (s Steps) Do(ctx context.Context, command fold.Command) (answer <-chan error, err error) {
	call := commandCall{command: command, done: make(chan error, 1)}
	return call.done, s.engine.handleCommand(ctx, call)
}

// Write makes one attempt to write what waits, with commit in the place of the
// store's own, and does what follows from it. It reports false when nothing
// waits.
func (s Steps) Write(ctx context.Context, commit Commit) (bool, error) {
	jobs, _ := s.engine.commit.take()
	if len(jobs) == 0 {
		return false, nil
	}
	if err := s.engine.commit.attempt(ctx, jobs, commit); err != nil {
		return true, err
	}
	s.engine.commit.drop(jobs)
	return true, nil
}

// Finish hands over what is left, as the end of a run does.
func (s Steps) Finish(ctx context.Context) error { return s.engine.finish(ctx) }
