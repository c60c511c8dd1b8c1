package calibration

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
)

// Session is the time of one sensor on the bench, from its room and back. It is
// kept as it is, with what its bench has Seen beside it.
type Session struct {
	Quantity    sensors.Quantity `json:"quantity"`
	Since       time.Time        `json:"since"`
	By          string           `json:"by"`
	Points      []Point          `json:"points,omitempty"`
	Instruments []Instrument     `json:"instruments,omitempty"`

	bench *Bench
}

// NewSession begins the calibration of a quantity by a person.
func NewSession(q sensors.Quantity, by string, at time.Time) *Session {
	return &Session{Quantity: q, Since: at, By: by, bench: NewBench(DefaultStability(q))}
}

// Seen is what the bench remembers.
func (s *Session) Seen() BenchState { return s.bench.State() }

// Resume continues with what the bench had seen.
func (s *Session) Resume(seen BenchState) error {
	s.bench = NewBench(DefaultStability(s.Quantity))
	return s.bench.Restore(seen)
}

// Observe takes one raw reading of the quantity.
func (s *Session) Observe(at time.Time, raw float64) {
	if at.After(s.Since) {
		s.bench.Observe(at, raw)
	}
}

// Move takes in that the clock by which readings arrive was moved by a span.
// What was measured across it is of no use.
func (s *Session) Move(by time.Duration) {
	s.Since = s.Since.Add(by)
	s.bench.Reset()
}

// pointsWanted is how many points a calibration of a quantity has.
func pointsWanted(q sensors.Quantity) int {
	if q == sensors.RelativeHumidity {
		return 2
	}
	return 1
}

// Read says why the sensor cannot be read against a reference, or returns how to
// keep the point.
func (s *Session) Read(ref Reference, now time.Time) (apply func(), err error) {
	if len(s.Points) >= pointsWanted(s.Quantity) {
		return nil, errors.New("all points are read; finish, or leave the bench and begin again")
	}
	m := s.bench.Read()
	if !m.Stable {
		return nil, fmt.Errorf("the sensor has not settled: %s", m.Waiting)
	}
	p, err := ref.point(s.Quantity, m)
	if err != nil {
		return nil, err
	}
	i := ref.Instrument
	if ref.Kind == ReferenceInstrument && !i.Due.IsZero() && i.Due.Before(now) {
		return nil, fmt.Errorf("the reference %s was itself due for calibration on %s", i.Name, i.Due.Format(time.DateOnly))
	}
	return func() {
		if ref.Kind == ReferenceInstrument {
			s.Instruments = append(s.Instruments, i)
		}
		s.Points = append(s.Points, p)
		s.bench.Reset()
	}, nil
}

// result is what the points read so far give.
func (s *Session) result() (Result, error) {
	switch {
	case len(s.Points) < pointsWanted(s.Quantity):
		return Result{}, fmt.Errorf("%d of %d points are read", len(s.Points), pointsWanted(s.Quantity))
	case s.Quantity == sensors.RelativeHumidity:
		return TwoPoint(s.Points[0], s.Points[1])
	}
	return OnePoint(s.Points[0])
}

// Certificate records what was measured of a sensor, from a time on. Who did it
// may be empty, for who began; due may be zero, for a year.
func (s *Session) Certificate(id sensors.SensorID, who, note string, due, from time.Time) (Certificate, error) {
	result, err := s.result()
	if err != nil {
		return Certificate{}, err
	}
	if strings.TrimSpace(who) == "" {
		who = s.By
	}
	cert, err := NewCertificate("", sensors.Series{Sensor: id, Quantity: s.Quantity}, who, result, from, due, s.Instruments...)
	cert.Note = note
	return cert, err
}

// BenchView is a sensor on the calibration bench.
type BenchView struct {
	Quantity sensors.Quantity
	Since    time.Time
	By       string
	// Now is what the bench sees, Curve the raw readings behind it.
	Now    Measurement
	Curve  []BenchReading
	Limits Stability
	Points []Point
	Wanted int
	// Result is what all points give; nil before the last one, and with
	// Problem when they cannot be right.
	Result  *Result
	Problem string
}

// View shows the session as it is now.
func (s *Session) View() *BenchView {
	v := &BenchView{
		Quantity: s.Quantity, Since: s.Since, By: s.By, Now: s.bench.Read(), Curve: s.bench.Curve(),
		Limits: DefaultStability(s.Quantity), Points: slices.Clone(s.Points), Wanted: pointsWanted(s.Quantity),
	}
	if len(v.Points) < v.Wanted {
		return v
	}
	r, err := s.result()
	if err != nil {
		v.Problem = err.Error()
		return v
	}
	v.Result = &r
	return v
}
