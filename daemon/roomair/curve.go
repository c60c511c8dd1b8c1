// Package roomair turns the readings of a room's sensors into the air of the
// room: a temperature curve that thermal time is gathered along, and the
// present air with its extremes that limits are compared with.
package roomair

import (
	"cmp"
	"time"

	"rearguard/sensors"
)

// Sample is one usable temperature of one sensor.
type Sample struct {
	Time         time.Time
	Sensor       sensors.SensorID
	TemperatureC float64
}

// Compare orders samples by time and then by sensor: the one order in which
// a curve may be folded, whatever the order of arrival.
func (s Sample) Compare(o Sample) int {
	return cmp.Or(s.Time.Compare(o.Time), cmp.Compare(s.Sensor, o.Sensor))
}

// Segment is a straight piece of a room's temperature curve.
type Segment struct {
	From, To   time.Time
	FromC, ToC float64
	// Estimated is set where no reading supports the line: across a gap.
	Estimated bool
}

// Clip returns the part of s between from and to, and false if there is none.
func (s Segment) Clip(from, to time.Time) (Segment, bool) {
	at := func(t time.Time) float64 {
		span := float64(s.To.Sub(s.From))
		return s.FromC + (s.ToC-s.FromC)*float64(t.Sub(s.From))/span
	}
	out := s
	if from.After(s.From) {
		out.From, out.FromC = from, at(from)
	}
	if to.Before(s.To) {
		out.To, out.ToC = to, at(to)
	}
	return out, out.From.Before(out.To)
}

// Rules say how a curve is drawn through readings.
type Rules struct {
	// Fresh is how long one sensor's reading stands for its place in the
	// room. A sensor silent for longer no longer counts in the median.
	Fresh func(sensors.SensorID) time.Duration
	// Left reports whether a sensor ceased to measure the room after one time
	// and not after another: what it said before then counts no more. Nil where
	// none ever did.
	Left func(id sensors.SensorID, after, upTo time.Time) bool
	// MarkAfter is the longest distance between two points of the curve that
	// is not a gap; longer ones are bridged and marked as estimated.
	MarkAfter time.Duration
	// StraightUpTo is the longest gap bridged by a straight line. Longer ones
	// follow the shape of the day before the gap.
	StraightUpTo time.Duration
}

// shapeHours is how many hourly values of the curve are remembered, so that a
// long gap can follow the room's own day.
const shapeHours = 24

// Curve folds samples, given in order, into segments. It holds everything the
// next segment depends on, and nothing else, so a curve that is stored and
// loaded again continues as if it had never stopped. The zero value is a
// curve with no point yet.
type Curve struct {
	// Last is the newest sample of each sensor.
	Last map[sensors.SensorID]Sample `json:"last,omitempty"`
	// Point is the newest point of the curve; it may still move while further
	// samples of the same instant arrive.
	Point  time.Time `json:"point,omitzero"`
	PointC float64   `json:"point_c"`
	// Open is the point before it, from which the open segment starts.
	Open  time.Time `json:"open,omitzero"`
	OpenC float64   `json:"open_c"`
	// Shape holds the curve at whole hours, by hour of the day in UTC.
	Shape [shapeHours]HourValue `json:"shape"`
	// Today is the day being measured, Past the days before it, oldest first.
	Today Day   `json:"today"`
	Past  []Day `json:"past,omitempty"`
}

// HourValue is the curve at a whole hour of measured time.
type HourValue struct {
	Hour time.Time `json:"hour,omitzero"`
	C    float64   `json:"c"`
}

// Clone returns an independent copy.
func (c *Curve) Clone() *Curve {
	out := *c
	out.Last = make(map[sensors.SensorID]Sample, len(c.Last))
	for k, v := range c.Last {
		out.Last[k] = v
	}
	return &out
}

// Add takes the next sample in order. When its time is later than the newest
// point, that point becomes final and the segments that end in it are passed
// to emit.
func (c *Curve) Add(s Sample, rules Rules, emit func(Segment)) {
	if c.Last == nil {
		c.Last = make(map[sensors.SensorID]Sample)
	}
	if s.Time.After(c.Point) {
		c.Close(rules, emit)
		c.Open, c.OpenC = c.Point, c.PointC
		c.Point = s.Time
	}
	c.Last[s.Sensor] = s
	c.PointC = c.median(rules)
}

// Close passes the segments up to the newest point to emit. The curve stays
// open: a further sample of the same instant must not follow.
func (c *Curve) Close(rules Rules, emit func(Segment)) {
	if c.Open.IsZero() {
		return
	}
	line := Segment{From: c.Open, To: c.Point, FromC: c.OpenC, ToC: c.PointC}
	length := line.To.Sub(line.From)
	switch {
	case length <= rules.MarkAfter:
		c.remember(line)
		emit(line)
	case length <= rules.StraightUpTo || !c.knowsDay():
		line.Estimated = true
		emit(line)
	default:
		c.followDay(line, emit)
	}
	c.Open = time.Time{}
}

// Tail returns the segments that Close would emit, leaving c as it is.
func (c *Curve) Tail(rules Rules, emit func(Segment)) {
	copied := *c
	copied.Close(rules, emit)
}

// median is the middle of the fresh sensors' newest samples at the newest
// point; the mean of the two middle ones for an even number.
func (c *Curve) median(rules Rules) float64 {
	var buf [16]float64
	values := buf[:0]
	for id, s := range c.Last {
		if c.Point.Sub(s.Time) <= rules.Fresh(id) && (rules.Left == nil || !rules.Left(id, s.Time, c.Point)) {
			values = append(values, s.TemperatureC)
		}
	}
	return sensors.Median(values)
}

// remember keeps the curve at the whole hours that a measured line passes.
func (c *Curve) remember(line Segment) {
	for h := line.From.Truncate(time.Hour).Add(time.Hour); !h.After(line.To); h = h.Add(time.Hour) {
		at := line.ToC
		if h.Before(line.To) {
			part, _ := line.Clip(h, line.To)
			at = part.FromC
		}
		c.Shape[h.UTC().Hour()] = HourValue{Hour: h, C: at}
		c.record(h, at)
	}
}

// knowsDay reports whether every hour of the day before the open point has
// been measured.
func (c *Curve) knowsDay() bool {
	for _, h := range c.Shape {
		if h.Hour.IsZero() || c.Open.Sub(h.Hour) > shapeHours*time.Hour {
			return false
		}
	}
	return true
}

// shapeAt is the remembered day at t, between whole hours on a straight line.
func (c *Curve) shapeAt(t time.Time) float64 {
	hour := t.UTC().Hour()
	a, b := c.Shape[hour].C, c.Shape[(hour+1)%shapeHours].C
	return a + (b-a)*float64(t.Sub(t.Truncate(time.Hour)))/float64(time.Hour)
}

// followDay bridges a long gap with the shape of the remembered day, shifted
// so that it meets the readings at both ends.
func (c *Curve) followDay(gap Segment, emit func(Segment)) {
	offsetFrom := gap.FromC - c.shapeAt(gap.From)
	offsetTo := gap.ToC - c.shapeAt(gap.To)
	length := float64(gap.To.Sub(gap.From))
	at := func(t time.Time) float64 {
		x := float64(t.Sub(gap.From)) / length
		return c.shapeAt(t) + offsetFrom*(1-x) + offsetTo*x
	}
	prev, prevC := gap.From, gap.FromC
	for h := gap.From.Truncate(time.Hour).Add(time.Hour); h.Before(gap.To); h = h.Add(time.Hour) {
		emit(Segment{From: prev, To: h, FromC: prevC, ToC: at(h), Estimated: true})
		prev, prevC = h, at(h)
	}
	emit(Segment{From: prev, To: gap.To, FromC: prevC, ToC: gap.ToC, Estimated: true})
}
