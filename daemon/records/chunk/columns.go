package chunk

import (
	"math"
	"sort"
	"time"

	"rearguard/sensors"
)

// Columns are the readings of one series in order of time, column by column:
// reading i is Time[i], Arrival[i] and so on, as in sensors.Reading.
type Columns struct {
	sensors.Series
	// Time and Arrival are milliseconds since 1970, UTC.
	Time, Arrival []int64
	Raw, Value    []float64
	Flag          []sensors.Flag
}

// Len is the number of readings.
func (c *Columns) Len() int { return len(c.Time) }

// Append adds a reading, which must be later than all before it. Both times
// are in milliseconds since 1970, UTC.
func (c *Columns) Append(time, arrival int64, raw, value float64, flag sensors.Flag) {
	c.Time = append(c.Time, time)
	c.Arrival = append(c.Arrival, arrival)
	c.Raw = append(c.Raw, raw)
	c.Value = append(c.Value, value)
	c.Flag = append(c.Flag, flag)
}

// Reset takes all readings out and keeps the room they had.
func (c *Columns) Reset() {
	c.Time, c.Arrival = c.Time[:0], c.Arrival[:0]
	c.Raw, c.Value, c.Flag = c.Raw[:0], c.Value[:0], c.Flag[:0]
}

// Holds reports whether there is a reading at time.
func (c *Columns) Holds(time int64) bool {
	i := sort.Search(len(c.Time), func(i int) bool { return c.Time[i] >= time })
	return i < len(c.Time) && c.Time[i] == time
}

// Arrivals gives the earliest and the latest arrival.
func (c *Columns) Arrivals() (first, last int64) {
	first, last = math.MaxInt64, math.MinInt64
	for _, a := range c.Arrival {
		first, last = min(first, a), max(last, a)
	}
	return first, last
}

// Between gives the part of c with lo <= time < hi.
func (c *Columns) Between(lo, hi int64) *Columns {
	i := sort.Search(c.Len(), func(i int) bool { return c.Time[i] >= lo })
	j := sort.Search(c.Len(), func(i int) bool { return c.Time[i] >= hi })
	if i == 0 && j == c.Len() {
		return c
	}
	return &Columns{Series: c.Series, Time: c.Time[i:j], Arrival: c.Arrival[i:j],
		Raw: c.Raw[i:j], Value: c.Value[i:j], Flag: c.Flag[i:j]}
}

// Reading gives reading i.
func (c *Columns) Reading(i int) sensors.Reading {
	return sensors.Reading{
		Series: c.Series, Time: time.UnixMilli(c.Time[i]).UTC(), Arrival: time.UnixMilli(c.Arrival[i]).UTC(),
		Raw: c.Raw[i], Value: c.Value[i], Flag: c.Flag[i],
	}
}

// Join sets dst to the readings of first and second in order of time.
// Where both have one of the same time that of first holds: it was stored
// before.
func Join(dst, first, second *Columns) {
	dst.Reset()
	i, j := 0, 0
	for i < first.Len() || j < second.Len() {
		if j == second.Len() || i < first.Len() && first.Time[i] <= second.Time[j] {
			if j < second.Len() && first.Time[i] == second.Time[j] {
				j++
			}
			dst.Append(first.Time[i], first.Arrival[i], first.Raw[i], first.Value[i], first.Flag[i])
			i++
			continue
		}
		dst.Append(second.Time[j], second.Arrival[j], second.Raw[j], second.Value[j], second.Flag[j])
		j++
	}
}
