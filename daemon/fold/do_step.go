package fold

import (
	"context"
	"errors"
	"time"

	"rearguard/daemon/outlook"
	"rearguard/daemon/past"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// clockEvent says that the time was moved, and went on elsewhere without any
// having passed.
type clockEvent struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	Why  string    `json:"why"`
	// Lead is that of the records from then on.
	Lead past.Lead `json:"lead,omitempty"`
}

func (clockEvent) Kind() string { return "clock" }

func (clockEvent) who() string { return "" }

func (e clockEvent) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return f.watch.itself, nil
}

// Step goes on at another time, earlier or later.
func (f *Fold) Step(ctx context.Context, s timekeeping.Step) error {
	e := clockEvent{From: f.clock, To: s.To, Why: s.Why}
	if s.By() > 0 && !s.To.After(f.clock) {
		return nil
	}
	var recorded time.Time
	recorded, e.Lead = f.lead.Onward(f.clock, e.To)
	return f.recordAs(ctx, e, recorded)
}

// step moves everything that goes by the clock. Where it goes back, what was
// made of the time ahead is made again when that time comes.
func (f *Fold) step(e clockEvent) error {
	from, by := f.clock, e.To.Sub(f.clock)
	f.desk.Step(from, e.To)
	for _, r := range f.rooms.kept {
		r.step(from, e.To, f.out)
	}
	for _, c := range f.cohorts.list {
		if c.Step(from, e.To, e.To.Add(-settleLag), f.own.parts.Clock.Since) {
			f.out.rewritten(c.Course)
		}
	}
	if by < 0 {
		f.rooms.departures.Step(e.To)
		f.rooms.settled = desk.Earlier(f.rooms.settled, e.To.Add(-settleLag))
		f.overtaken = append(f.overtaken, past.Overtaken{After: e.To, Until: f.lead.Recorded(from)})
	}
	f.own.link.Since, f.own.parts = sensors.Moved(f.own.link.Since, by), f.own.parts.Moved(by)
	f.own.clock = snapshot.ClockSteps{Steps: f.own.clock.Steps + 1, Last: snapshot.ClockStep{From: from, To: e.To, Why: e.Why}}
	f.lead, f.stepped = e.Lead, true
	return f.resume(e.To, false)
}

func (r *room) step(from, to time.Time, out *output) {
	settled := to.Add(-settleLag)
	r.track.Step(from, to, settled)
	r.blindSince = sensors.Moved(r.blindSince, to.Sub(from))
	if to.Before(from) {
		r.marks.Drop(settled, from, out.batch.KeepState)
		r.recent.Rewind(to)
	}
}

// expectAnew drops what was expected, so that it is made anew.
func (f *Fold) expectAnew() {
	for _, r := range f.rooms.list {
		r.outlook = nil
	}
	for _, c := range f.cohorts.list {
		c.forecast = outlook.Cohort{}
	}
}

// Doubt takes note of what speaks against the machine's clock, empty for
// nothing. NoteParts journals it.
func (f *Fold) Doubt(words string) {
	f.own.doubt = words
	f.desk.OwnClocks.Doubt(words != "")
}

// ClockDoubted is what spoke against the machine's clock when that was last
// journaled, empty for nothing.
func (f *Fold) ClockDoubted() string { return f.own.parts.Clock.Problem }

// Sights are by how much the clocks of sensors are ahead.
func (g *ground) Sights() []time.Duration { return g.desk.Sights(g.clock) }

// ConfirmClock says that a person has found the machine's clock right that is
// doubted.
type ConfirmClock struct {
	Who string `json:"who"`
}

// Kind names the command in the journal.
func (ConfirmClock) Kind() string { return "confirm-clock" }

func (c ConfirmClock) who() string { return c.Who }

func (c ConfirmClock) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	switch {
	case c.Who == "":
		return nil, errors.New("say who has looked at the clock")
	case f.own.parts.Clock.Problem == "":
		return nil, errors.New("the clock is not in doubt")
	}
	return nothing, nil
}
