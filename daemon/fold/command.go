package fold

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/records"
)

// ErrRefused is wrapped by every command that cannot be carried out as given.
var ErrRefused = errors.New("refused")

// Command is something a person tells the daemon, from a page or the command
// line. Commands are kept in the journal with their time, so that replay can
// give them again. Each stands in a file of its own with all there is to it,
// and in the one list of kinds below.
type Command interface {
	// Kind is the name under which the command is kept in the journal.
	Kind() string
	// who is the person behind it, for the audit; empty for nobody.
	who() string
	// check says why the command cannot be carried out, or returns how to. It
	// changes nothing: what has to be read or worked out is read and worked
	// out here.
	check(ctx context.Context, f *Fold, at time.Time) (change, error)
}

// change carries a command out. It cannot refuse and reads nothing: an error
// is a fault of the program, and ends the run so that a restart restores what
// was before.
type change func() error

// nothing is the change of an event that changes nothing.
func nothing() error { return nil }

// kinds are all events that the journal can hold: commands of people, and what
// happened.
func kinds() []kind {
	return []kind{
		ordering(alerts.Acknowledge), ordering(alerts.Going), ordering(alerts.Shelve), ordering(alerts.Unshelve), ordering(alerts.TakeOut), ordering(alerts.Return),
		of[AddCohort](), of[MoveCohort](), of[EndCohort](), of[RecordCount](), of[UndoCount](),
		of[AdoptConstants](), of[RefuseConstants](), of[AdoptRecords](),
		of[ClaimSensor](), of[StartBench](), of[ReadBench](), of[FinishBench](), of[LeaveBench](), of[Calibrate](), of[ReapplyCalibration](),
		of[Configure](), of[linkEvent](), of[resumeEvent](), of[partsEvent](), of[limitsEvent](), of[presenceEvent](), of[keptEvent](),
		of[clockEvent](), of[ConfirmClock](), of[ownClockEvent](),
		outlived("suppress"), outlived("unsuppress"), outlived("reset"),
	}
}

// kind is one kind of event and how to read it back.
type kind struct {
	name   string
	decode func(json.RawMessage) (Command, error)
}

func of[E Command]() kind {
	var zero E
	return kind{zero.Kind(), func(body json.RawMessage) (Command, error) {
		var e E
		err := json.Unmarshal(body, &e)
		return e, err
	}}
}

// outlived is a kind that older versions wrote and that changes nothing now.
func outlived(name string) kind {
	return kind{name, func(json.RawMessage) (Command, error) { return outlivedEvent(name), nil }}
}

type outlivedEvent string

func (e outlivedEvent) Kind() string { return string(e) }

func (outlivedEvent) who() string { return "" }

func (outlivedEvent) check(context.Context, *Fold, time.Time) (change, error) { return nothing, nil }

// kindsByName reads events back by the name of their kind.
type kindsByName map[string]kind

func byName(list []kind) kindsByName {
	by := make(kindsByName, len(list))
	for _, k := range list {
		by[k.name] = k
	}
	return by
}

// eventOf reads an event back from the journal.
func (by kindsByName) eventOf(e records.JournalEntry) (Command, error) {
	k, known := by[e.Kind]
	if !known {
		return nil, fmt.Errorf("journal entry %d has the unknown kind %q; was it written by a newer version?", e.Seq, e.Kind)
	}
	event, err := k.decode(e.Body)
	if err != nil {
		return nil, fmt.Errorf("journal entry %d (%s): %w", e.Seq, e.Kind, err)
	}
	return event, nil
}

// Do carries out a command and puts it into the next commit. A refused one,
// whose error wraps ErrRefused, leaves no trace; any other error ends the run.
func (f *Fold) Do(ctx context.Context, c Command) error {
	err := f.record(ctx, c)
	if _, ok := c.(Configure); ok && err == nil {
		err = f.NoteLimits(ctx, f.clock)
	}
	return err
}

// record carries out an event and puts it into the next commit.
func (f *Fold) record(ctx context.Context, event Command) error {
	return f.recordAs(ctx, event, f.lead.Recorded(f.clock.Add(time.Millisecond)))
}

// recordAs carries out an event, with its arrival in the records.
func (f *Fold) recordAs(ctx context.Context, event Command, recorded time.Time) error {
	body, err := json.Marshal(event)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrRefused, err)
	}
	if err := f.carryOut(ctx, event, recorded); err != nil {
		return err
	}
	out := f.out.batch
	out.Journal = append(out.Journal, records.JournalEntry{Arrival: recorded, Kind: event.Kind(), Who: event.who(), Body: body})
	return nil
}

// carryOut carries out an event at its arrival; live, restart and replay all
// come through here.
func (f *Fold) carryOut(ctx context.Context, event Command, recorded time.Time) error {
	arrival := f.lead.Arrival(recorded)
	switch e := event.(type) {
	case resumeEvent:
		if err := f.AdvanceTo(ctx, e.From); err != nil {
			return err
		}
		f.lead = e.Lead
		arrival = f.lead.Arrival(recorded)
		if err := f.resume(arrival, true); err != nil {
			return err
		}
	case clockEvent:
		if err := f.AdvanceTo(ctx, e.From); err != nil {
			return err
		}
		arrival = e.To
		if err := f.step(e); err != nil {
			return err
		}
	}
	if err := f.AdvanceTo(ctx, arrival); err != nil {
		return err
	}
	if _, ok := event.(Order); ok {
		if err := f.alarms.Advance(arrival); err != nil {
			return err
		}
	}
	apply, err := event.check(ctx, f, arrival)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrRefused, err)
	}
	return apply()
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }
