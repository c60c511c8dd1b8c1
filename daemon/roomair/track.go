package roomair

import (
	"slices"
	"time"

	"rearguard/sensors"
)

// Track gathers a room's temperature curve. Samples up to Settled are folded
// into Curve and gone; later ones wait in Tail, in order, so that readings
// may still arrive out of order. A sample that arrives later than that sends
// the track back: it is folded again, from before that time, out of the
// records.
type Track struct {
	// Rules say how the curve is drawn.
	Rules   Rules     `json:"-"`
	Curve   Curve     `json:"curve"`
	Settled time.Time `json:"settled,omitzero"`
	Tail    []Sample  `json:"tail,omitempty"`
	Late    Lateness  `json:"late,omitzero"`

	marks []Mark
	// version grows with every change of what Open and Settle have to tell.
	version uint64
}

// Lateness is what late samples have made of a track.
type Lateness struct {
	// From is the earliest late sample, zero while there is none.
	From time.Time `json:"from,omitzero"`
	// First and Last are when late samples arrived.
	First time.Time `json:"first,omitzero"`
	Last  time.Time `json:"last,omitzero"`
	// Rewound is set when samples were lost that wait to be settled: they are
	// to be read again as well.
	Rewound bool `json:"rewound,omitempty"`
}

// A backlog arrives as a stream of late samples. Going back for each of them
// would cost far more than the stream itself, so it waits until the stream has
// dried up, but not for ever.
const (
	lateQuiet   = 10 * time.Second
	lateLongest = 15 * time.Minute
)

// Due reports whether it is time to go back.
func (l Lateness) Due(now time.Time) bool {
	return !l.From.IsZero() && (now.Sub(l.Last) >= lateQuiet || now.Sub(l.First) >= lateLongest)
}

// Mark is a room's curve with every sample up to At folded in.
type Mark struct {
	At    time.Time `json:"at"`
	Curve Curve     `json:"curve"`
}

// marksKept bounds the hourly marks in memory; older times are reached from
// the daily marks in the records.
const marksKept = 48

// SampleOf is the reading as a sample of its room's curve, and false if it
// must not feed thermal time.
func SampleOf(r sensors.Reading) (Sample, bool) {
	ok := r.Quantity == sensors.Temperature && r.Flag.Usable()
	return Sample{Time: r.Time, Sensor: r.Sensor, TemperatureC: r.Value}, ok
}

// Version tells apart what Open and Settle would tell.
func (t *Track) Version() uint64 { return t.version }

// Add takes one usable temperature sample that arrived now.
func (t *Track) Add(s Sample, now time.Time) {
	if !s.Time.After(t.Settled) {
		t.GoBack(s.Time, now)
		return
	}
	t.version++
	t.wait(s)
}

func (t *Track) wait(s Sample) {
	at, _ := slices.BinarySearchFunc(t.Tail, s, Sample.Compare)
	t.Tail = slices.Insert(t.Tail, at, s)
}

// GoBack has the curve folded again from before a time.
func (t *Track) GoBack(from, now time.Time) {
	if t.Late.From.IsZero() {
		t.Late = Lateness{From: from, First: now}
	}
	if from.Before(t.Late.From) {
		t.Late.From = from
	}
	t.Late.Last = now
}

// Step takes in that the clock was moved from one time to another. When it was
// set back, samples ahead of it are dropped, and the curve goes back to before
// settled, from which on it is folded again.
func (t *Track) Step(from, to, settled time.Time) {
	by := to.Sub(from)
	if !t.Late.From.IsZero() {
		t.Late.First, t.Late.Last = t.Late.First.Add(by), t.Late.Last.Add(by)
	}
	if by >= 0 {
		return
	}
	t.version++
	t.Tail = slices.DeleteFunc(t.Tail, func(s Sample) bool { return s.Time.After(to) })
	if !settled.Before(t.Settled) {
		return
	}
	t.Settled = settled
	t.GoBack(settled, to.Add(-lateLongest))
	t.Late.Rewound = true
	t.Forget(settled)
}

// Withdraw takes a sample back that was added before.
func (t *Track) Withdraw(id sensors.SensorID, at, now time.Time) {
	t.version++
	if at.After(t.Settled) {
		t.Tail = slices.DeleteFunc(t.Tail, func(s Sample) bool { return s.Sensor == id && s.Time.Equal(at) })
		return
	}
	t.GoBack(at, now)
}

// Refill puts other samples in the place of those that wait.
func (t *Track) Refill(samples []Sample) {
	t.version++
	t.Tail = t.Tail[:0]
	for _, s := range samples {
		t.wait(s)
	}
}

// Refold puts a curve folded anew up to Settled in place, which takes in every
// late sample.
func (t *Track) Refold(curve Curve) {
	t.Curve, t.Late = curve, Lateness{}
	t.version++
}

// Settle folds every sample up to at into the curve and passes the segments
// that became final to emit.
func (t *Track) Settle(at time.Time, emit func(Segment)) {
	n := 0
	for n < len(t.Tail) && !t.Tail[n].Time.After(at) {
		t.Curve.Add(t.Tail[n], t.Rules, emit)
		n++
		t.version++
	}
	t.Tail = slices.Delete(t.Tail, 0, n)
	t.Curve.Close(t.Rules, emit)
	t.Settled = at
}

// Open passes the segments after the settled part to emit.
func (t *Track) Open(emit func(Segment)) {
	if len(t.Tail) == 0 {
		return
	}
	curve := t.Curve.Clone()
	for _, s := range t.Tail {
		curve.Add(s, t.Rules, emit)
	}
	curve.Close(t.Rules, emit)
}

// Mark remembers the settled curve once an hour and reports whether it did.
func (t *Track) Mark() (Mark, bool) {
	hour := t.Settled.Truncate(time.Hour)
	if n := len(t.marks); n > 0 && !t.marks[n-1].At.Before(hour) {
		return Mark{}, false
	}
	if len(t.marks) >= marksKept {
		t.marks = slices.Delete(t.marks, 0, 1)
	}
	m := Mark{At: t.Settled, Curve: *t.Curve.Clone()}
	t.marks = append(t.marks, m)
	return m, true
}

// Forget drops the marks at or after a time, since a late sample changed what
// they were made of.
func (t *Track) Forget(from time.Time) {
	t.marks = slices.DeleteFunc(t.marks, func(m Mark) bool { return !m.At.Before(from) })
}

// MarkBefore is the newest mark in memory before a time.
func (t *Track) MarkBefore(at time.Time) (Mark, bool) {
	for _, m := range slices.Backward(t.marks) {
		if m.At.Before(at) {
			return m, true
		}
	}
	return Mark{}, false
}
