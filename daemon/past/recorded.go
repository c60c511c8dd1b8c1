// Package past is what a fold reads back of what it has handed over: from the
// records, with what is still on its way there laid over them, or from memory.
package past

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// Past is what was handed over.
type Past interface {
	// Has reports whether a reading is already stored.
	Has(ctx context.Context, series sensors.Series, at time.Time) (bool, error)
	// Temperatures yields the stored temperature readings of the sensors in
	// order of event time, from from (exclusive) to to (inclusive).
	Temperatures(ctx context.Context, ids []sensors.SensorID, from, to time.Time, yield func(sensors.Reading) bool) error
	// Ahead yields the stored readings of all sensors after a time, in any
	// order.
	Ahead(ctx context.Context, after time.Time, yield func(sensors.Reading) bool) error
	// Mark returns the newest stored curve of a room at or before t.
	Mark(ctx context.Context, room sensors.RoomID, t time.Time) (roomair.Mark, bool, error)
}

// OldestMark is how many days a daily mark is looked for before the curve
// starts from the beginning of history. Longer ago only those of the first
// days of months are kept, of which it finds one.
const OldestMark = records.MarkDays

// Recorded is the past as the records have it.
type Recorded struct {
	Reader *records.Reader
	// Unwritten are batches that are still on their way to the records, oldest
	// first; nil for none.
	Unwritten func() []*records.Batch
	// Arrived bounds what has arrived, as arrivals are recorded: in a replay the
	// records hold readings that were not known yet. Nil for no bound.
	Arrived func() time.Time
	// Marked is set when the stored daily marks belong to this fold.
	Marked bool
}

// unwritten are the batches on their way to the records. They are to be asked
// for before the records are read: what is written in between is then seen
// twice, and never not at all.
func (p Recorded) unwritten() []*records.Batch {
	if p.Unwritten == nil {
		return nil
	}
	return p.Unwritten()
}

// Has reports whether a reading is stored, or on its way there.
func (p Recorded) Has(ctx context.Context, series sensors.Series, at time.Time) (bool, error) {
	for _, b := range p.unwritten() {
		for i := range b.Readings {
			if r := &b.Readings[i]; r.Series == series && r.Time.Equal(at) {
				return true, nil
			}
		}
	}
	return p.Reader.Has(ctx, series, at)
}

// Temperatures yields the temperature readings of the sensors after from up to
// to, in order of event time.
func (p Recorded) Temperatures(ctx context.Context, ids []sensors.SensorID, from, to time.Time, yield func(sensors.Reading) bool) error {
	if len(ids) == 0 {
		return nil
	}
	series := make([]sensors.Series, len(ids))
	for i, id := range ids {
		series[i] = sensors.Series{Sensor: id, Quantity: sensors.Temperature}
	}
	late := overlayOf(p.unwritten(), series, from, to)
	// The bounds of the fold are exclusive and inclusive, those of the
	// records inclusive and exclusive; both count whole milliseconds.
	for r, err := range p.Reader.Scan(ctx, series, from.Add(time.Millisecond), to.Add(time.Millisecond)) {
		if err != nil {
			return fmt.Errorf("read temperatures from the records: %w", err)
		}
		if p.Arrived != nil && r.Arrival.After(p.Arrived()) {
			continue
		}
		if !late.upTo(r, yield) || !yield(late.amended(r)) {
			return nil
		}
	}
	late.rest(yield)
	return nil
}

// Ahead yields the readings of all sensors after a time.
func (p Recorded) Ahead(ctx context.Context, after time.Time, yield func(sensors.Reading) bool) error {
	for _, b := range p.unwritten() {
		for i := range b.Readings {
			if b.Readings[i].Time.After(after) && !yield(b.Readings[i]) {
				return nil
			}
		}
	}
	for r, err := range p.Reader.Scan(ctx, nil, after.Add(time.Millisecond), FarFuture()) {
		if err != nil {
			return fmt.Errorf("read what lies ahead from the records: %w", err)
		}
		if p.Arrived != nil && r.Arrival.After(p.Arrived()) {
			continue
		}
		if !yield(r) {
			return nil
		}
	}
	return nil
}

// FarFuture is after every event.
func FarFuture() time.Time { return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC) }

// Mark returns the newest stored curve of a room at or before t.
func (p Recorded) Mark(ctx context.Context, room sensors.RoomID, t time.Time) (roomair.Mark, bool, error) {
	if !p.Marked {
		return roomair.Mark{}, false, nil
	}
	unwritten := p.unwritten()
	for i := range OldestMark {
		body, err := p.state(ctx, unwritten, MarkName(room, t.AddDate(0, 0, -i)))
		if errors.Is(err, records.ErrNotFound) {
			continue
		}
		if err != nil && !errors.Is(err, records.ErrCorrupt) {
			return roomair.Mark{}, false, err
		}
		// A mark that was dropped is empty; one that is damaged is left out, for
		// an older one leads to the same curve.
		var m roomair.Mark
		if err == nil && json.Unmarshal(body, &m) == nil && !m.At.After(t) {
			return m, true, nil
		}
	}
	return roomair.Mark{}, false, nil
}

// state reads a blob as the newest batch that is on its way has it.
func (p Recorded) state(ctx context.Context, unwritten []*records.Batch, name string) ([]byte, error) {
	for i := len(unwritten) - 1; i >= 0; i-- {
		if body, ok := unwritten[i].State[name]; ok {
			return body, nil
		}
	}
	return p.Reader.LoadState(ctx, name)
}
