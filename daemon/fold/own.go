package fold

import (
	"context"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/sensors/desk"
)

// own is how rearguard's own parts stand.
type own struct {
	link snapshot.Link
	// parts are those that lie outside the fold.
	parts   snapshot.PartsState
	notices snapshot.NoticeState
	// clock is how the time was moved, doubt what speaks against the machine's
	// clock now.
	clock  snapshot.ClockSteps
	doubt  string
	limits snapshot.LimitsNoted
	// arrears are what was put off because the past cannot be read.
	arrears past.Arrears
	// adopted is what a person took note of and the records still say.
	adopted records.Trouble
}

// partsEvent is a change of snapshot.PartsState.
type partsEvent struct{ snapshot.PartsState }

func (partsEvent) Kind() string { return "house" }

func (partsEvent) who() string { return "" }

func (e partsEvent) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return func() error {
		f.own.parts = e.PartsState
		return f.watch.itself()
	}, nil
}

// NoteParts takes note of how the records stand, empty for well, and of what
// is found in them, and journals how rearguard's parts stand if that has
// changed.
func (f *Fold) NoteParts(ctx context.Context, storeProblem string, found records.Trouble) error {
	if found == f.own.adopted {
		found = records.Trouble{}
	} else {
		f.own.adopted = records.Trouble{}
	}
	now, differs := f.own.parts.Next(f.clock, storeProblem, found.Damage, found.Doubt, f.own.doubt, &f.own.notices)
	if !differs {
		return nil
	}
	return f.record(ctx, partsEvent{now})
}

// limitsEvent says that the configuration of limits and alarms is not what it
// was before.
type limitsEvent struct{ snapshot.LimitsNoted }

func (limitsEvent) Kind() string { return "limits" }

func (limitsEvent) who() string { return "configuration" }

func (e limitsEvent) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return func() error {
		f.own.limits = f.own.limits.After(e.LimitsNoted)
		return nil
	}, nil
}

// NoteLimits journals the configured limits if they have changed.
func (f *Fold) NoteLimits(ctx context.Context, now time.Time) error {
	event, differs := f.own.limits.Next(f.facility.LimitsByName(), now)
	if !differs {
		return nil
	}
	return f.record(ctx, limitsEvent{event})
}

// SetNotices takes note of what became of notices.
func (f *Fold) SetNotices(s snapshot.NoticeState) { f.own.notices = s }

// linkEvent is a change of the broker link, kept in the journal like a
// command, since alarms depend on it.
type linkEvent struct {
	Link snapshot.Link `json:"link"`
}

func (linkEvent) Kind() string { return "link" }

func (linkEvent) who() string { return "" }

func (e linkEvent) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return func() error {
		f.setLink(e.Link)
		return f.watch.itself()
	}, nil
}

func (f *Fold) setLink(l snapshot.Link) {
	f.own.link = l
	f.desk.NoteLink(f.clock, l.Subscribed, l.SessionLost)
}

// Link takes note of a change of the broker link.
func (f *Fold) Link(ctx context.Context, l snapshot.Link) error { return f.record(ctx, linkEvent{l}) }

// resumeEvent says that the daemon began to listen, at the start or after it
// had been stopped: silence before it is nobody's fault.
type resumeEvent struct {
	At time.Time `json:"at"`
	// From is how far the clock had come before: what time alone brought about
	// up to then belongs to the past, also when it is replayed.
	From time.Time `json:"from,omitzero"`
	// Lead is that of the records from then on.
	Lead past.Lead `json:"lead,omitempty"`
}

func (resumeEvent) Kind() string { return "resume" }

func (resumeEvent) who() string { return "" }

func (e resumeEvent) check(_ context.Context, f *Fold, _ time.Time) (change, error) {
	return func() error {
		f.setLink(snapshot.Link{})
		return nil
	}, nil
}

// Resume begins to listen at a time.
func (f *Fold) Resume(ctx context.Context, at time.Time) error {
	e := resumeEvent{At: at, From: f.clock}
	var recorded time.Time
	recorded, e.Lead = f.lead.Onward(f.clock, desk.Later(at, f.clock.Add(time.Millisecond)))
	return f.recordAs(ctx, e, recorded)
}

// resume goes on at a time. Nobody was watching, so the instants in between
// are left out. Passed says that time really passed meanwhile.
func (f *Fold) resume(at time.Time, passed bool) error {
	from := f.clock
	for _, r := range f.rooms.list {
		r.memory = r.memory.Resume(from, at, passed)
	}
	for _, c := range f.cohorts.list {
		c.still = c.still.Resume(from, at, passed)
		if passed && c.Resume(from, at) {
			f.out.rewritten(c.Course)
		}
	}
	f.resumed, f.clock, f.nextTick = at, at, f.after(at)
	if f.rooms.settled.IsZero() {
		// What comes of before the beginning is late: however much that is, it
		// does not wait in memory.
		if _, err := f.rooms.settle(at.Add(-settleLag)); err != nil {
			return err
		}
	}
	return f.alarms.Resume(from, at, passed)
}

// itself evaluates the conditions of rearguard itself, and what can be
// told of all rooms together.
func (w *watch) itself() error {
	in := w.own.parts.Condition(&w.own.link)
	in.Now, in.Location, in.ClockOffset = w.clock, w.facility.Site.Location, w.desk.ClockOffset(w.clock)
	in.ClockStep = w.own.clock.Condition()
	for _, r := range w.rooms.list {
		if len(r.sensors.Sensors) > 0 {
			in.Rooms = append(in.Rooms, r.sign)
		}
	}
	return w.alarms.Observe(conditions.EvaluateFacility(in)...)
}
