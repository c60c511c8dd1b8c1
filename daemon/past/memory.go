package past

import (
	"cmp"
	"context"
	"slices"
	"time"

	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// Memory is a past of temperatures that forgets what is older than a
// sandbox can go back.
type Memory struct {
	readings []sensors.Reading
	fresh    []sensors.Reading
}

// memoryKept is how far back a sandbox remembers.
const memoryKept = 50 * time.Hour

// Add takes readings in, in any order.
func (m *Memory) Add(readings []sensors.Reading) {
	for _, r := range readings {
		if r.Quantity == sensors.Temperature {
			m.fresh = append(m.fresh, r)
		}
	}
	if len(m.fresh) < 4096 {
		return
	}
	m.sort()
	cut := m.after(m.readings[len(m.readings)-1].Time.Add(-memoryKept))
	m.readings = slices.Delete(m.readings, 0, cut)
}

// after is the place of the first reading at or after a time.
func (m *Memory) after(t time.Time) int {
	i, _ := slices.BinarySearchFunc(m.readings, t, func(r sensors.Reading, t time.Time) int { return r.Time.Compare(t) })
	return i
}

func (m *Memory) sort() {
	if len(m.fresh) == 0 {
		return
	}
	m.readings = append(m.readings, m.fresh...)
	m.fresh = m.fresh[:0]
	slices.SortStableFunc(m.readings, func(a, b sensors.Reading) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Sensor, b.Sensor))
	})
}

// Has reports whether a temperature reading was taken.
func (m *Memory) Has(_ context.Context, series sensors.Series, at time.Time) (bool, error) {
	m.sort()
	return slices.ContainsFunc(m.readings, func(r sensors.Reading) bool { return r.Series == series && r.Time.Equal(at) }), nil
}

// Temperatures yields what is remembered of the sensors after from up to to.
func (m *Memory) Temperatures(_ context.Context, ids []sensors.SensorID, from, to time.Time, yield func(sensors.Reading) bool) error {
	m.sort()
	for _, r := range m.readings[m.after(from):] {
		if r.Time.After(to) {
			break
		}
		if r.Time.After(from) && slices.Contains(ids, r.Sensor) && !yield(r) {
			break
		}
	}
	return nil
}

// Ahead yields the temperatures after a time.
func (m *Memory) Ahead(_ context.Context, after time.Time, yield func(sensors.Reading) bool) error {
	m.sort()
	for _, r := range m.readings[m.after(after):] {
		if r.Time.After(after) && !yield(r) {
			break
		}
	}
	return nil
}

// Mark remembers none.
func (m *Memory) Mark(context.Context, sensors.RoomID, time.Time) (roomair.Mark, bool, error) {
	return roomair.Mark{}, false, nil
}
