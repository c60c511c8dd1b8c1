package past

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"time"

	"rearguard/daemon/records"
	"rearguard/sensors"
)

// MarkName names the blob of a room's curve at the first settling of a day.
func MarkName(room sensors.RoomID, day time.Time) string {
	return records.MarkPrefix + string(room) + "/" + day.UTC().Format(time.DateOnly)
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
