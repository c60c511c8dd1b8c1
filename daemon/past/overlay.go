package past

import (
	"slices"
	"strings"
	"time"

	"rearguard/daemon/records"
	"rearguard/sensors"
)

// overlay is what is on its way to the records of a stretch of time, to be laid
// over what is read there.
type overlay struct {
	// readings are in the order in which the records give readings; given says
	// how many have been passed on.
	readings []sensors.Reading
	given    int
	flags    map[moment]sensors.Flag
}

// moment is one reading of one series.
type moment struct {
	series sensors.Series
	ms     int64
}

func overlayOf(unwritten []*records.Batch, series []sensors.Series, from, to time.Time) *overlay {
	o := &overlay{}
	for _, b := range unwritten {
		for i := range b.Readings {
			r := &b.Readings[i]
			if r.Time.After(from) && !r.Time.After(to) && slices.Contains(series, r.Series) {
				o.readings = append(o.readings, *r)
			}
		}
		for _, f := range b.Reflags {
			if o.flags == nil {
				o.flags = make(map[moment]sensors.Flag)
			}
			o.flags[moment{f.Series, f.Time.UnixMilli()}] = f.Flag
		}
	}
	slices.SortStableFunc(o.readings, inOrder)
	return o
}

// inOrder is the order in which the records give readings.
func inOrder(a, b sensors.Reading) int {
	if d := a.Time.Compare(b.Time); d != 0 {
		return d
	}
	return strings.Compare(string(a.Sensor), string(b.Sensor))
}

// amended is a reading with the flag that is on its way.
func (o *overlay) amended(r sensors.Reading) sensors.Reading {
	if f, ok := o.flags[moment{r.Series, r.Time.UnixMilli()}]; ok {
		r.Flag = f
	}
	return r
}

// upTo passes on what comes before a stored reading, and leaves out what is
// that reading. It is false when no more is wanted.
func (o *overlay) upTo(stored sensors.Reading, yield func(sensors.Reading) bool) bool {
	for o.given < len(o.readings) {
		d := inOrder(o.readings[o.given], stored)
		if d > 0 {
			return true
		}
		o.given++
		if d < 0 && !yield(o.amended(o.readings[o.given-1])) {
			return false
		}
	}
	return true
}

// rest passes on what comes after everything stored.
func (o *overlay) rest(yield func(sensors.Reading) bool) {
	for ; o.given < len(o.readings); o.given++ {
		if !yield(o.amended(o.readings[o.given])) {
			return
		}
	}
}
