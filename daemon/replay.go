package daemon

import (
	"context"
	"fmt"
	"iter"
	"log/slog"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// recorded is one event of the past.
type recorded struct {
	reading sensors.Reading
	entry   *records.JournalEntry
}

func (r recorded) arrival() time.Time {
	if r.entry != nil {
		return r.entry.Arrival
	}
	return r.reading.Arrival
}

// source is where the past is read from.
type source interface {
	ScanArrival(ctx context.Context, from, to time.Time) iter.Seq2[sensors.Reading, error]
	Journal(ctx context.Context, from, to time.Time) iter.Seq2[records.JournalEntry, error]
}

// past merges readings and journal in the order in which they arrived. No two
// events of different kinds share an arrival.
func past(ctx context.Context, src source, from, to time.Time) iter.Seq2[recorded, error] {
	return func(yield func(recorded, error) bool) {
		nextEntry, stop := iter.Pull2(src.Journal(ctx, from, to))
		defer stop()
		entry, err, more := nextEntry()
		entriesBefore := func(arrival time.Time) bool {
			for more && entry.Arrival.Before(arrival) {
				if !yield(recorded{entry: &entry}, err) || err != nil {
					return false
				}
				entry, err, more = nextEntry()
			}
			return true
		}
		for reading, failed := range src.ScanArrival(ctx, from, to) {
			if failed != nil {
				yield(recorded{}, failed)
				return
			}
			if !entriesBefore(reading.Arrival) || !yield(recorded{reading: reading}, nil) {
				return
			}
		}
		entriesBefore(farFuture)
	}
}

// replayBatch is how many readings are handled together.
const replayBatch = 4096

// replay handles the past again, in the same order and at the same instants.
// After is called for each event.
func (c *core) replay(ctx context.Context, src source, from, to time.Time, after func()) error {
	for event, err := range past(ctx, src, from, to) {
		if err != nil {
			return fmt.Errorf("read recorded history: %w", err)
		}
		if n := len(c.pending); n > 0 && (event.entry != nil || n >= replayBatch && event.arrival().After(c.pending[n-1].Arrival)) {
			if err := c.handlePending(); err != nil {
				return err
			}
		}
		if event.entry == nil {
			c.readmit(event.reading)
		} else if err := c.reapply(*event.entry); err != nil {
			return err
		}
		after()
	}
	return c.handlePending()
}

// readmit is admit for a reading of the past: it was admitted then.
func (c *core) readmit(r sensors.Reading) {
	s := c.byID[r.Sensor]
	if s == nil || s.series[r.Quantity] == nil {
		// The sensor is no longer in the configuration.
		return
	}
	state := s.series[r.Quantity]
	c.fates = append(c.fates, fate{outcome: outcomeStored})
	late := !r.Time.After(c.newestAdmitted(state))
	c.pending = append(c.pending, pendingReading{Reading: r, state: state, sensor: s, late: late, known: true, message: len(c.fates) - 1})
	if !late {
		state.admitted = r.Time
	}
}

func (c *core) reapply(e records.JournalEntry) error {
	event, err := eventOf(e)
	if err != nil {
		return err
	}
	if err := c.apply(event, e.Arrival); err != nil {
		return fmt.Errorf("journal entry %d of %s (%s): %w", e.Seq, stamp(e.Arrival), e.Kind, err)
	}
	return nil
}

// ReplayOptions say what to replay.
type ReplayOptions struct {
	Facility *facility.Facility
	Catalog  *rearing.Catalog
	Records  *records.Reader
	Logger   *slog.Logger
	// ForecastEvery must be what the live engine had.
	ForecastEvery time.Duration
	// From and To bound the arrival of the events replayed; zero is all.
	From, To time.Time
}

// Replayed is what came of a replay.
type Replayed struct {
	Readings int
	// Transitions are all steps of all alarms, in order.
	Transitions []records.AlarmTransition
	// Notices counts the notices that would have been sent.
	Notices int
	// Final is the state at the end.
	Final *Snapshot
}

// Replay folds recorded history anew. With the configuration that was in
// force it reproduces the live alarms and progress exactly; with another one
// it tells what would have been.
func Replay(ctx context.Context, opts ReplayOptions) (*Replayed, error) {
	if opts.To.IsZero() {
		opts.To = farFuture
	}
	later, err := claimsBetween(ctx, opts.Records, opts.From, opts.To)
	if err != nil {
		return nil, err
	}
	c, err := newCore(coreOptions{
		claimedLater: later, facility: opts.Facility, catalog: opts.Catalog, logger: opts.Logger, forecastEvery: opts.ForecastEvery,
	})
	if err != nil {
		return nil, err
	}
	c.history = readerHistory{ctx: ctx, reader: opts.Records, clock: func() time.Time { return c.clock }}
	marks, err := opts.Records.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	out := &Replayed{}
	drain := func() {
		out.Readings += len(c.out.Readings)
		out.Transitions = append(out.Transitions, c.out.Transitions...)
		out.Notices += len(c.out.Outbox)
		*c.out = records.Batch{}
	}
	if err := c.replay(ctx, opts.Records, opts.From, opts.To, func() {
		if len(c.out.Readings) >= replayBatch {
			drain()
		}
	}); err != nil {
		return nil, err
	}
	if end := marks.Clock; end.Before(opts.To) {
		if err := c.advanceTo(end); err != nil {
			return nil, err
		}
	}
	drain()
	out.Final = c.view()
	return out, nil
}
