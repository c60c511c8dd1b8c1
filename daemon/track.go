package daemon

import (
	"slices"
	"time"

	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// track gathers a room's temperature curve. Samples up to settled are folded
// into curve and gone; later ones wait in tail, in order, so that readings
// may still arrive out of order. A sample that arrives later than that sends
// the track back: it is folded again, from before that time, out of the
// records.
type track struct {
	curve   roomair.Curve
	settled time.Time
	tail    []roomair.Sample
	late    lateness
	marks   []curveMark
	// version grows with every change of what open and settle have to tell.
	version uint64
}

// lateness is what late samples have made of a track.
type lateness struct {
	// From is the earliest late sample, zero while there is none.
	From time.Time `json:"from,omitzero"`
	// First and Last are when late samples arrived.
	First time.Time `json:"first,omitzero"`
	Last  time.Time `json:"last,omitzero"`
}

// A backlog arrives as a stream of late samples. Going back for each of them
// would cost far more than the stream itself, so it waits until the stream has
// dried up, but not for ever.
const (
	lateQuiet   = 10 * time.Second
	lateLongest = 15 * time.Minute
)

// due reports whether it is time to go back.
func (l lateness) due(now time.Time) bool {
	return !l.From.IsZero() && (now.Sub(l.Last) >= lateQuiet || now.Sub(l.First) >= lateLongest)
}

// curveMark is a room's curve with every sample up to At folded in.
type curveMark struct {
	At    time.Time     `json:"at"`
	Curve roomair.Curve `json:"curve"`
}

// marksKept bounds the hourly marks in memory; older times are reached from
// the daily marks in the records.
const marksKept = 48

// add takes one usable temperature sample that arrived now.
func (t *track) add(s roomair.Sample, now time.Time) {
	if !s.Time.After(t.settled) {
		if t.late.From.IsZero() {
			t.late = lateness{From: s.Time, First: now}
		}
		if s.Time.Before(t.late.From) {
			t.late.From = s.Time
		}
		t.late.Last = now
		return
	}
	t.version++
	at, _ := slices.BinarySearchFunc(t.tail, s, roomair.Sample.Compare)
	t.tail = slices.Insert(t.tail, at, s)
}

// settle folds every sample up to at into the curve and passes the segments
// that became final to emit.
func (t *track) settle(at time.Time, rules roomair.Rules, emit func(roomair.Segment)) {
	n := 0
	for n < len(t.tail) && !t.tail[n].Time.After(at) {
		t.curve.Add(t.tail[n], rules, emit)
		n++
		t.version++
	}
	t.tail = slices.Delete(t.tail, 0, n)
	t.curve.Close(rules, emit)
	t.settled = at
}

// open passes the segments after the settled part to emit.
func (t *track) open(rules roomair.Rules, emit func(roomair.Segment)) {
	if len(t.tail) == 0 {
		return
	}
	curve := t.curve.Clone()
	for _, s := range t.tail {
		curve.Add(s, rules, emit)
	}
	curve.Close(rules, emit)
}

// mark remembers the settled curve once an hour and reports whether it did.
func (t *track) mark() (curveMark, bool) {
	hour := t.settled.Truncate(time.Hour)
	if n := len(t.marks); n > 0 && !t.marks[n-1].At.Before(hour) {
		return curveMark{}, false
	}
	if len(t.marks) >= marksKept {
		t.marks = slices.Delete(t.marks, 0, 1)
	}
	m := curveMark{At: t.settled, Curve: *t.curve.Clone()}
	t.marks = append(t.marks, m)
	return m, true
}

// forget drops the marks at or after a time, since a late sample changed what
// they were made of.
func (t *track) forget(from time.Time) {
	t.marks = slices.DeleteFunc(t.marks, func(m curveMark) bool { return !m.At.Before(from) })
}

// markBefore is the newest mark in memory before a time.
func (t *track) markBefore(at time.Time) (curveMark, bool) {
	for _, m := range slices.Backward(t.marks) {
		if m.At.Before(at) {
			return m, true
		}
	}
	return curveMark{}, false
}

// sample is the reading as a sample of its room's curve, and false if it must
// not feed thermal time.
func sample(r sensors.Reading) (roomair.Sample, bool) {
	ok := r.Quantity == sensors.Temperature && r.Flag.Usable()
	return roomair.Sample{Time: r.Time, Sensor: r.Sensor, TemperatureC: r.Value}, ok
}

// curveFrom rebuilds the segments of a room between from and to out of the
// records, beginning at the newest mark before from. It also returns the
// curve at to.
func (c *core) curveFrom(r *roomState, from, to time.Time, emit func(roomair.Segment)) (roomair.Curve, error) {
	start, ok := r.track.markBefore(from)
	if !ok {
		var err error
		if start, _, err = c.history.Mark(r.config.ID, from.Add(-time.Millisecond)); err != nil {
			return roomair.Curve{}, err
		}
	}
	curve := *start.Curve.Clone()
	err := c.history.Temperatures(r.sensorIDs(), start.At, to, func(reading sensors.Reading) bool {
		if s, ok := sample(c.corrected(reading)); ok {
			curve.Add(s, r.rules, emit)
		}
		return true
	})
	curve.Close(r.rules, emit)
	return curve, err
}
