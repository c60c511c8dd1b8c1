// Package sandbox is the fold without a broker, a clock or a disk.
package sandbox

import (
	"context"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon/fold"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// Sandbox takes messages and the time, and keeps what follows from them in
// memory.
type Sandbox struct {
	fold *fold.Fold
	past past.Memory
	// steps and outbox are what was not taken yet.
	steps  []records.AlarmTransition
	outbox []notify.Notice
}

// New returns a sandbox that begins at a time.
func New(o fold.Options, begin time.Time) (*Sandbox, error) {
	s := &Sandbox{}
	var err error
	if s.fold, err = fold.New(o, &s.past); err != nil {
		return nil, err
	}
	err = s.gather(s.fold.Resume(unhurried(), begin))
	return s, err
}

// Messages handles messages that came in together.
func (s *Sandbox) Messages(ms ...sensors.Message) error {
	for _, m := range ms {
		s.fold.Admit(m)
	}
	return s.gather(s.fold.Handle(unhurried()))
}

// Link takes note of a change of the broker link.
func (s *Sandbox) Link(l snapshot.Link) error {
	return s.gather(s.fold.Link(unhurried(), l))
}

// Advance lets time pass.
func (s *Sandbox) Advance(now time.Time) error {
	return s.gather(s.fold.AdvanceTo(unhurried(), now))
}

// Do carries out a command.
func (s *Sandbox) Do(c fold.Command) error { return s.gather(s.fold.Do(unhurried(), c)) }

// Snapshot is the state now.
func (s *Sandbox) Snapshot() *snapshot.Snapshot { return s.fold.Snapshot() }

// TakeSteps returns the steps of alarms since the last call, in order.
func (s *Sandbox) TakeSteps() []records.AlarmTransition {
	steps := s.steps
	s.steps = nil
	return steps
}

// TakeNotices returns the notices since the last call, in order.
func (s *Sandbox) TakeNotices() []notify.Notice {
	rows := s.outbox
	s.outbox = nil
	return rows
}

// gather takes over what the fold would have stored.
func (s *Sandbox) gather(err error) error {
	if err != nil {
		return err
	}
	batch, err := s.fold.TakeBatch()
	if err != nil || batch == nil {
		return err
	}
	s.steps = append(s.steps, batch.Transitions...)
	s.outbox = append(s.outbox, batch.Outbox...)
	s.past.Add(batch.Readings)
	return nil
}

// unhurried is the context of everything in a sandbox: its past is in memory
// and never waits.
func unhurried() context.Context { return context.Background() }

// Forecast is the newest forecast of a cohort being reared. It is shared and
// must not be changed.
func (s *Sandbox) Forecast(id population.CohortID) (*forecast.Forecast, error) {
	return s.fold.Forecast(id)
}
