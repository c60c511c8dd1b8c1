package fold

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/daemon/standing"
	"rearguard/sensors/desk"
)

// replayBatch is how many readings are handled together.
const replayBatch = 4096

// replay handles a span of the past again, in the same order and at the same
// instants. Before is called ahead of each event, drain whenever everything so
// far has been handled.
func (f *Fold) replay(ctx context.Context, reader *records.Reader, s past.Span, before func(arrival time.Time), refused func(error) error, drain func() error) error {
	for event, err := range s.Events(ctx, reader) {
		if err != nil {
			return fmt.Errorf("read recorded history: %w", err)
		}
		arrival := f.lead.Arrival(event.Arrival())
		before(arrival)
		if n, last := f.desk.Intake.Waiting(); n > 0 && (event.Entry != nil || n >= replayBatch && arrival.After(last)) {
			if err := f.Handle(ctx); err != nil {
				return err
			}
			if err := drain(); err != nil {
				return err
			}
		}
		if event.Entry == nil {
			event.Reading.Arrival = arrival
			f.desk.Readmit(event.Reading)
			continue
		}
		if what := event.Entry.Damage(); what != "" {
			f.logger.Error("an entry of the journal is damaged and left out", "entry", what)
			reader.NoteDamage(what)
			continue
		}
		again, err := f.kinds.eventOf(*event.Entry)
		if err != nil {
			return err
		}
		if err := f.carryOut(ctx, again, event.Entry.Arrival); err != nil {
			err = fmt.Errorf("journal entry %d of %s (%s): %w", event.Entry.Seq, stamp(arrival), event.Entry.Kind, err)
			if !errors.Is(err, ErrRefused) {
				return err
			}
			if err := refused(err); err != nil {
				return err
			}
		}
	}
	if err := f.Handle(ctx); err != nil {
		return err
	}
	return drain()
}

// ReplayOptions say what of the past to handle again, and how.
type ReplayOptions struct {
	Options
	Records *records.Reader
	// From and To bound the arrival of the events replayed; zero is all.
	From, To time.Time
	// ReadingsFrom, if set, leaves out readings that arrived before it.
	ReadingsFrom time.Time
	// FineFrom, if set, is when the grid becomes as fine as it is live.
	FineFrom time.Time
	// Refused, if set, takes events of the past that cannot be carried out
	// now, as with a part of the facility; without it they end the replay.
	Refused func(error)
	// Follow goes by the configurations that were in force, as far as the
	// journal has them; without it the one given holds throughout.
	Follow bool
	// Batch, if set, takes what would have been stored, piece by piece.
	Batch func(*records.Batch)
	// Finished, if set, takes the progress of each cohort that is closed.
	Finished func(population.CohortID, *population.Progress)
}

// Replay folds recorded history anew and returns the fold at its end. With the
// configuration that was in force it reproduces the live alarms and progress
// exactly; with another one it tells what would have been.
func Replay(ctx context.Context, o ReplayOptions) (*Fold, error) {
	if o.To.IsZero() {
		o.To = past.FarFuture()
	}
	s := past.Span{From: o.From, To: o.To, ReadingsFrom: o.ReadingsFrom}
	claimed, err := standing.Claims(ctx, o.Records, s.From, s.To, ClaimSensor{}.Kind())
	if err != nil {
		return nil, err
	}
	recorded := &past.Recorded{Reader: o.Records}
	f, err := build(o.Options, recorded, claimed)
	if err != nil {
		return nil, err
	}
	f.fixed = !o.Follow
	recorded.Arrived = f.recordedClock
	marks, err := o.Records.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	f.cohorts.finished = o.Finished
	drain := func() error {
		err := f.alarms.Collect(f.out.batch)
		if o.Batch != nil {
			o.Batch(f.out.batch)
		}
		f.out.batch = &records.Batch{}
		return err
	}
	before := func(arrival time.Time) {
		if !o.FineFrom.IsZero() && f.grid != fineGrid && arrival.After(o.FineFrom) {
			f.grid = fineGrid
		}
	}
	refused := func(err error) error {
		if o.Refused == nil {
			return err
		}
		o.Refused(err)
		return nil
	}
	if err := f.replay(ctx, o.Records, s, before, refused, drain); err != nil {
		return nil, err
	}
	if end := f.lead.Arrival(marks.Clock); end.Before(o.To) {
		if err := f.AdvanceTo(ctx, end); err != nil {
			return nil, err
		}
	}
	return f, drain()
}

// Restore returns the fold as it was after the last commit, with the
// configuration that was in force then: from the newest checkpoint on, everything
// in the records is handled again. The options say what to go by where the
// records know of no configuration. The fold reads its past from from
// afterwards; nil reads the records themselves.
func Restore(ctx context.Context, o Options, reader *records.Reader, from past.Past) (*Fold, error) {
	cp, err := past.LoadWhole[checkpoint](ctx, reader, o.Logger, CheckpointName, earlierName)
	if err != nil {
		return nil, err
	}
	s := past.Span{From: cp.Lead.Recorded(cp.Clock), To: past.FarFuture()}
	claimed, err := standing.Claims(ctx, reader, s.From, s.To, ClaimSensor{}.Kind())
	if err != nil {
		return nil, err
	}
	marks, err := reader.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	then, err := standing.Load(ctx, reader, o.Facility, o.Catalog, o.Logger)
	if err != nil {
		return nil, err
	}
	now := o
	now.Facility, now.Catalog = then.Facility, then.Catalog
	known := &past.Recorded{Reader: reader, Marked: from != nil}
	f, err := build(now, known, claimed)
	if err != nil {
		return nil, err
	}
	known.Arrived = f.recordedClock
	f.given, f.configuration, f.recorded, f.fixed = o, then.Configuration, then.Recorded, o.Facility.Text == ""
	if !cp.Clock.IsZero() {
		if err := f.load(cp); err != nil {
			return nil, err
		}
	}
	if !marks.Clock.IsZero() {
		if err := f.refold(ctx, reader, s, marks.Clock); err != nil {
			return nil, err
		}
		if err := f.alarms.Recall(ctx, reader, marks.Occurrence, f.clock, f.logger); err != nil {
			return nil, err
		}
		// What was left out has its number all the same.
		f.cohorts.lastCount = max(f.cohorts.lastCount, population.CountID(marks.Count))
	}
	if from != nil {
		f.past = from
	}
	memory, err := records.StatesUnder(ctx, reader, desk.MemoryPrefix)
	if err != nil {
		return nil, err
	}
	return f, f.desk.Recall(memory)
}

// refold handles again what was stored since a checkpoint. Everything up to
// the committed clock has had its effects, so what these events would store is
// dropped, but for newer checkpoints and marks. An entry of the journal that
// this program or this configuration refuses is left out: rooms are watched
// with what can be restored.
func (f *Fold) refold(ctx context.Context, reader *records.Reader, s past.Span, committed time.Time) error {
	n := 0
	drain := func() error {
		err := f.alarms.Collect(f.out.batch)
		n += len(f.out.batch.Readings)
		f.out.batch = &records.Batch{State: f.out.batch.State}
		return err
	}
	refused := func(err error) error {
		if errors.Is(err, errUnread) {
			return err
		}
		f.logger.Error("what was once recorded cannot be carried out again and is left out; see whether cohorts and alarms are as they should be", "error", err)
		return nil
	}
	if err := f.replay(ctx, reader, s, func(time.Time) {}, refused, drain); err != nil {
		return err
	}
	if err := f.AdvanceTo(ctx, f.lead.Arrival(committed)); err != nil {
		return err
	}
	f.logger.Info("state restored", slog.Time("checkpoint", s.From), slog.Time("until", committed), slog.Int("readings", n))
	return drain()
}
