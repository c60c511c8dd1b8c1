package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/records"
	"rearguard/sensors"
)

// readerHistory reads the past for a core.
type readerHistory struct {
	ctx    context.Context
	reader *records.Reader
	// settle, if set, brings everything handled so far to disk first.
	settle func() error
	// clock bounds what has arrived: in a replay the records hold readings
	// that were not known yet.
	clock func() time.Time
	// marks is set when the stored daily marks belong to this fold.
	marks bool
}

func (h readerHistory) sync() error {
	if h.settle == nil {
		return nil
	}
	return h.settle()
}

// Has implements history.
func (h readerHistory) Has(series sensors.Series, at time.Time) (bool, error) {
	if err := h.sync(); err != nil {
		return false, err
	}
	return h.reader.Has(h.ctx, series, at)
}

// Temperatures implements history.
func (h readerHistory) Temperatures(ids []sensors.SensorID, from, to time.Time, yield func(sensors.Reading) bool) error {
	if err := h.sync(); err != nil {
		return err
	}
	if len(ids) == 0 {
		return nil
	}
	series := make([]sensors.Series, len(ids))
	for i, id := range ids {
		series[i] = sensors.Series{Sensor: id, Quantity: sensors.Temperature}
	}
	// The bounds of the fold are exclusive and inclusive, those of the
	// records inclusive and exclusive; both count whole milliseconds.
	for r, err := range h.reader.Scan(h.ctx, series, from.Add(time.Millisecond), to.Add(time.Millisecond)) {
		if err != nil {
			return fmt.Errorf("read temperatures from the records: %w", err)
		}
		if h.clock != nil && r.Arrival.After(h.clock()) {
			continue
		}
		if !yield(r) {
			return nil
		}
	}
	return nil
}

// markName names the blob of a room's curve at the first settling of a day.
func markName(room sensors.RoomID, day time.Time) string {
	return "mark/" + string(room) + "/" + day.UTC().Format(time.DateOnly)
}

// oldestMark bounds the search for a daily mark before the fold starts from
// the beginning of history.
const oldestMark = 40

// Mark implements history.
func (h readerHistory) Mark(room sensors.RoomID, t time.Time) (curveMark, bool, error) {
	if !h.marks {
		return curveMark{}, false, nil
	}
	if err := h.sync(); err != nil {
		return curveMark{}, false, err
	}
	for i := range oldestMark {
		body, err := h.reader.LoadState(h.ctx, markName(room, t.AddDate(0, 0, -i)))
		if errors.Is(err, records.ErrNotFound) {
			continue
		}
		if err != nil {
			return curveMark{}, false, err
		}
		if len(body) == 0 {
			continue // dropped
		}
		var m curveMark
		if err := json.Unmarshal(body, &m); err != nil {
			return curveMark{}, false, fmt.Errorf("stored curve of room %s: %w", room, err)
		}
		if !m.At.After(t) {
			return m, true, nil
		}
	}
	return curveMark{}, false, nil
}

// keepMark stores the first mark of a day, to start from when the far past
// has to be gone through again.
func (c *core) keepMark(r *roomState, m curveMark) error {
	if m.At.Truncate(24 * time.Hour).Equal(r.markedDay) {
		return nil
	}
	r.markedDay = m.At.Truncate(24 * time.Hour)
	body, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("curve of room %s: %w", r.config.ID, err)
	}
	c.keepState(markName(r.config.ID, m.At), body)
	return nil
}

// dropMarks blanks the stored marks of a room from a time on: a late reading
// has changed what they were made of. Marks older than the search are never
// found again and need no blanking.
func (c *core) dropMarks(r *roomState, from time.Time) {
	oldest := c.clock.AddDate(0, 0, -oldestMark)
	for day := later(from, oldest); !day.After(c.clock.AddDate(0, 0, 1)); day = day.AddDate(0, 0, 1) {
		c.keepState(markName(r.config.ID, day), []byte{})
	}
	r.markedDay = time.Time{}
}
