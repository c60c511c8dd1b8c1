package desk

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// bench is a sensor on the calibration bench.
type bench struct {
	Quantity    sensors.Quantity         `json:"quantity"`
	Since       time.Time                `json:"since"`
	By          string                   `json:"by"`
	Points      []calibration.Point      `json:"points,omitempty"`
	Instruments []calibration.Instrument `json:"instruments,omitempty"`

	bench *calibration.Bench
}

// ReferenceKind is what a sensor on the bench is compared with.
type ReferenceKind string

// The kinds of a Reference.
const (
	ReferenceSalt       ReferenceKind = "salt"
	ReferenceIce        ReferenceKind = "ice"
	ReferenceInstrument ReferenceKind = "instrument"
)

// Reference is what a sensor on the bench is compared with.
type Reference struct {
	Kind ReferenceKind `json:"kind"`
	// Salt and the temperature of its vessel in °C, known to within
	// CelsiusError.
	Salt         calibration.Salt `json:"salt,omitempty"`
	Celsius      float64          `json:"celsius,omitempty"`
	CelsiusError float64          `json:"celsius_error,omitempty"`
	// Value is what the instrument shows, in the quantity's unit, and Expanded
	// the uncertainty (k = 2) of its certificate.
	Instrument calibration.Instrument `json:"instrument,omitzero"`
	Value      float64                `json:"value,omitempty"`
	Expanded   float64                `json:"expanded_uncertainty,omitempty"`
}

// pointsWanted is how many points a calibration of a quantity has.
func pointsWanted(q sensors.Quantity) int {
	if q == sensors.RelativeHumidity {
		return 2
	}
	return 1
}

// find returns a series that is measured.
func (d *Desk) find(id sensors.SensorID, q sensors.Quantity) (*Sensor, *series, error) {
	s := d.byID[id]
	if s == nil {
		return nil, nil, fmt.Errorf("there is no sensor %q", id)
	}
	if int(q) >= quantities || s.series[q] == nil {
		return nil, nil, fmt.Errorf("sensor %s does not measure %s", id, q)
	}
	return s, s.series[q], nil
}

// onBench finds a sensor that is on the bench.
func (d *Desk) onBench(id sensors.SensorID) (*Sensor, error) {
	s := d.byID[id]
	if s == nil || s.bench == nil {
		return nil, fmt.Errorf("sensor %s is not on the bench", id)
	}
	return s, nil
}

// StartBench says why a sensor cannot be taken out of its room onto the bench,
// or returns how to do so: its readings then count for nothing but the bench.
func (d *Desk) StartBench(id sensors.SensorID, q sensors.Quantity, by string, at time.Time) (apply func(), err error) {
	s, _, err := d.find(id, q)
	by = strings.TrimSpace(by)
	switch {
	case err != nil:
		return nil, err
	case q != sensors.Temperature && q != sensors.RelativeHumidity:
		return nil, fmt.Errorf("%s is not calibrated", q)
	case by == "":
		return nil, errors.New("say who takes the sensor to the bench")
	case s.config.Retired:
		return nil, fmt.Errorf("sensor %s is retired", id)
	case s.bench != nil:
		return nil, fmt.Errorf("sensor %s is on the bench already, since %s, by %s", id, stamp(s.bench.Since), s.bench.By)
	}
	return func() {
		s.bench = &bench{Quantity: q, Since: at, By: by, bench: calibration.NewBench(calibration.DefaultStability(q))}
		// What it said last may already have been said on the way to the bench.
		s.withhold(sensors.Fail)
	}, nil
}

// ReadBench says why a sensor on the bench cannot be read against a reference,
// or returns how to keep the point.
func (d *Desk) ReadBench(id sensors.SensorID, ref Reference, now time.Time) (apply func(), err error) {
	s, err := d.onBench(id)
	if err != nil {
		return nil, err
	}
	b := s.bench
	if len(b.Points) >= pointsWanted(b.Quantity) {
		return nil, errors.New("all points are read; finish, or leave the bench and begin again")
	}
	m := b.bench.Read()
	if !m.Stable {
		return nil, fmt.Errorf("the sensor has not settled: %s", m.Waiting)
	}
	p, err := ref.point(b.Quantity, m)
	if err != nil {
		return nil, err
	}
	i := ref.Instrument
	if ref.Kind == ReferenceInstrument && !i.Due.IsZero() && i.Due.Before(now) {
		return nil, fmt.Errorf("the reference %s was itself due for calibration on %s", i.Name, i.Due.Format(time.DateOnly))
	}
	return func() {
		if ref.Kind == ReferenceInstrument {
			b.Instruments = append(b.Instruments, i)
		}
		b.Points = append(b.Points, p)
		b.bench.Reset()
	}, nil
}

// point makes a point of a settled measurement beside the reference.
func (r Reference) point(q sensors.Quantity, m calibration.Measurement) (calibration.Point, error) {
	none := calibration.Point{}
	switch r.Kind {
	case ReferenceSalt:
		if q != sensors.RelativeHumidity {
			return none, fmt.Errorf("a salt is a reference for humidity, not for %s", q)
		}
		return calibration.SaltPoint(r.Salt, r.Celsius, r.CelsiusError, m)
	case ReferenceIce:
		if q != sensors.Temperature {
			return none, fmt.Errorf("the ice point is a reference for temperature, not for %s", q)
		}
		return calibration.IcePoint(m), nil
	case ReferenceInstrument:
		switch {
		case strings.TrimSpace(r.Instrument.Name) == "":
			return none, errors.New("name the reference instrument")
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			return none, errors.New("say what the reference shows")
		case !(r.Expanded > 0) || math.IsInf(r.Expanded, 0):
			return none, errors.New("say the uncertainty (k = 2) of the reference, from its certificate; it is not zero")
		case q == sensors.RelativeHumidity && (r.Value < 0 || r.Value > 100):
			return none, fmt.Errorf("a relative humidity of %g %% is impossible", r.Value)
		}
		return calibration.ReferencePoint(r.Instrument.Name, r.Value, r.Expanded, m), nil
	}
	return none, fmt.Errorf("unknown kind of reference %q (want salt, ice or instrument)", r.Kind)
}

// result is what the points read so far give.
func (b *bench) result() (calibration.Result, error) {
	switch {
	case len(b.Points) < pointsWanted(b.Quantity):
		return calibration.Result{}, fmt.Errorf("%d of %d points are read", len(b.Points), pointsWanted(b.Quantity))
	case b.Quantity == sensors.RelativeHumidity:
		return calibration.TwoPoint(b.Points[0], b.Points[1])
	}
	return calibration.OnePoint(b.Points[0])
}

// FinishBench says why a sensor's calibration cannot be finished, or returns
// how to put what was measured into force and bring the sensor back. Due may
// be zero, for a year.
func (d *Desk) FinishBench(id sensors.SensorID, who, note string, due, at time.Time) (apply func() InForce, err error) {
	s, err := d.onBench(id)
	if err != nil {
		return nil, err
	}
	result, err := s.bench.result()
	if err != nil {
		return nil, err
	}
	if strings.TrimSpace(who) == "" {
		who = s.bench.By
	}
	cert, err := calibration.NewCertificate("", sensors.Series{Sensor: id, Quantity: s.bench.Quantity}, who, result, at, due, s.bench.Instruments...)
	if err != nil {
		return nil, err
	}
	cert.Note = note
	calibrate, err := d.Calibrate(cert, at)
	if err != nil {
		return nil, err
	}
	return func() InForce {
		f := calibrate()
		s.leaveBench()
		return f
	}, nil
}

// LeaveBench says why a sensor cannot be brought back from the bench, or
// returns how to do so, without a calibration.
func (d *Desk) LeaveBench(id sensors.SensorID) (apply func(), err error) {
	s, err := d.onBench(id)
	if err != nil {
		return nil, err
	}
	return s.leaveBench, nil
}

func (s *Sensor) leaveBench() {
	s.bench = nil
	s.interrupt()
}

// BenchView is a sensor on the calibration bench.
type BenchView struct {
	Quantity sensors.Quantity
	Since    time.Time
	By       string
	// Now is what the bench sees, Curve the raw readings behind it.
	Now    calibration.Measurement
	Curve  []calibration.BenchReading
	Limits calibration.Stability
	Points []calibration.Point
	Wanted int
	// Result is what all points give; nil before the last one, and with
	// Problem when they cannot be right.
	Result  *calibration.Result
	Problem string
}

func (b *bench) view() *BenchView {
	v := &BenchView{
		Quantity: b.Quantity, Since: b.Since, By: b.By, Now: b.bench.Read(), Curve: b.bench.Curve(),
		Limits: calibration.DefaultStability(b.Quantity), Points: slices.Clone(b.Points), Wanted: pointsWanted(b.Quantity),
	}
	if len(v.Points) < v.Wanted {
		return v
	}
	r, err := b.result()
	if err != nil {
		v.Problem = err.Error()
		return v
	}
	v.Result = &r
	return v
}
