package past

import (
	"encoding/json"
	"fmt"
	"time"

	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// Marks keeps marks of the curve of a room, to start from when the far past has
// to be gone through again.
type Marks struct {
	Room sensors.RoomID
	// day is that whose mark is kept already.
	day time.Time
}

// Keep stores the first mark of a day.
func (k *Marks) Keep(m roomair.Mark, store func(name string, body []byte)) error {
	day := m.At.Truncate(24 * time.Hour)
	if day.Equal(k.day) {
		return nil
	}
	k.day = day
	body, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("curve of room %s: %w", k.Room, err)
	}
	store(MarkName(k.Room, m.At), body)
	return nil
}

// Drop blanks the stored marks from a time on: what they were made of has
// changed.
func (k *Marks) Drop(from, clock time.Time, store func(name string, body []byte)) {
	for _, name := range marksFrom(k.Room, from, clock) {
		store(name, []byte{})
	}
	k.day = time.Time{}
}

// marksFrom names the marks of a room that may be stored from a time up to
// the day after the clock: those of each day a mark is looked for, and of the
// first days of months before that, which are kept for longer.
func marksFrom(room sensors.RoomID, from, clock time.Time) []string {
	recent := clock.AddDate(0, 0, -OldestMark-1)
	var names []string
	for day := from.UTC().Truncate(24 * time.Hour); !day.After(clock.AddDate(0, 0, 1)); day = day.AddDate(0, 0, 1) {
		if day.Day() == 1 || day.After(recent) {
			names = append(names, MarkName(room, day))
		}
	}
	return names
}
