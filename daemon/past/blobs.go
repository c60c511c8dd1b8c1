package past

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"time"

	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// MarkName names the blob of a room's curve at the first settling of a day.
func MarkName(room sensors.RoomID, day time.Time) string {
	return records.MarkPrefix + string(room) + "/" + day.UTC().Format(time.DateOnly)
}

// MarkBody is the blob itself.
func MarkBody(m roomair.Mark) ([]byte, error) { return json.Marshal(m) }

// MarksFrom names the marks of a room that may be stored from a time up to
// the day after the clock: those of each day a mark is looked for, and of the
// first days of months before that, which are kept for longer.
func MarksFrom(room sensors.RoomID, from, clock time.Time) []string {
	recent := clock.AddDate(0, 0, -OldestMark-1)
	var names []string
	for day := from.UTC().Truncate(24 * time.Hour); !day.After(clock.AddDate(0, 0, 1)); day = day.AddDate(0, 0, 1) {
		if day.Day() == 1 || day.After(recent) {
			names = append(names, MarkName(room, day))
		}
	}
	return names
}

// LoadWhole reads the first of the named blobs that is there and whole. One
// that is damaged is left out and said.
func LoadWhole[T any](ctx context.Context, reader *records.Reader, logger *slog.Logger, names ...string) (T, error) {
	var none T
	for _, name := range names {
		body, err := reader.LoadState(ctx, name)
		if errors.Is(err, records.ErrNotFound) {
			continue
		}
		if err != nil && !errors.Is(err, records.ErrCorrupt) {
			return none, err
		}
		var whole T
		if err == nil {
			if err = json.Unmarshal(body, &whole); err == nil {
				return whole, nil
			}
		}
		logger.Error("what was kept of the state is damaged and left out; history is gone through again from before it", "name", name, "error", err)
		reader.NoteDamage("the kept state " + name)
	}
	return none, nil
}
