package daemon

import (
	"math"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// benchState is a sensor on the calibration bench.
type benchState struct {
	Quantity    sensors.Quantity         `json:"quantity"`
	Since       time.Time                `json:"since"`
	By          string                   `json:"by"`
	Points      []calibration.Point      `json:"points,omitempty"`
	Instruments []calibration.Instrument `json:"instruments,omitempty"`

	bench *calibration.Bench
}

// pointsWanted is how many points a calibration of a quantity has.
func pointsWanted(q sensors.Quantity) int {
	if q == sensors.RelativeHumidity {
		return 2
	}
	return 1
}

func (c *core) startBench(v StartBench, arrival time.Time) error {
	s, _, err := c.series(v.Sensor, v.Quantity)
	switch {
	case err != nil:
		return err
	case v.Quantity != sensors.Temperature && v.Quantity != sensors.RelativeHumidity:
		return refuse("%s is not calibrated", v.Quantity)
	case strings.TrimSpace(v.Who) == "":
		return refuse("say who takes the sensor to the bench")
	case s.config.Retired:
		return refuse("sensor %s is retired", v.Sensor)
	case s.bench != nil:
		return refuse("sensor %s is on the bench already, since %s, by %s", v.Sensor, stamp(s.bench.Since), s.bench.By)
	}
	s.bench = &benchState{
		Quantity: v.Quantity, Since: arrival, By: strings.TrimSpace(v.Who),
		bench: calibration.NewBench(calibration.DefaultStability(v.Quantity)),
	}
	// What it said last may already have been said on the way to the bench.
	s.silence(sensors.Fail)
	if s.room == nil {
		return nil
	}
	return c.watchRoom(s.room)
}

// onBench finds a sensor that is on the bench.
func (c *core) onBench(id sensors.SensorID) (*sensorState, error) {
	s := c.byID[id]
	if s == nil || s.bench == nil {
		return nil, refuse("sensor %s is not on the bench", id)
	}
	return s, nil
}

func (c *core) readBench(v ReadBench) error {
	s, err := c.onBench(v.Sensor)
	if err != nil {
		return err
	}
	b := s.bench
	if len(b.Points) >= pointsWanted(b.Quantity) {
		return refuse("all points are read; finish, or leave the bench and begin again")
	}
	m := b.bench.Read()
	if !m.Stable {
		return refuse("the sensor has not settled: %s", m.Waiting)
	}
	p, err := v.Reference.point(b.Quantity, m)
	if err != nil {
		return err
	}
	if v.Reference.Kind == ReferenceInstrument {
		i := v.Reference.Instrument
		if !i.Due.IsZero() && i.Due.Before(c.clock) {
			return refuse("the reference %s was itself due for calibration on %s", i.Name, i.Due.Format(time.DateOnly))
		}
		b.Instruments = append(b.Instruments, i)
	}
	b.Points = append(b.Points, p)
	b.bench.Reset()
	return nil
}

// point makes a point of a settled measurement beside the reference.
func (r Reference) point(q sensors.Quantity, m calibration.Measurement) (calibration.Point, error) {
	switch r.Kind {
	case ReferenceSalt:
		if q != sensors.RelativeHumidity {
			return calibration.Point{}, refuse("a salt is a reference for humidity, not for %s", q)
		}
		p, err := calibration.SaltPoint(r.Salt, r.Celsius, r.CelsiusError, m)
		return p, refused(err)
	case ReferenceIce:
		if q != sensors.Temperature {
			return calibration.Point{}, refuse("the ice point is a reference for temperature, not for %s", q)
		}
		return calibration.IcePoint(m), nil
	case ReferenceInstrument:
		switch {
		case strings.TrimSpace(r.Instrument.Name) == "":
			return calibration.Point{}, refuse("name the reference instrument")
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			return calibration.Point{}, refuse("say what the reference shows")
		case !(r.Expanded > 0) || math.IsInf(r.Expanded, 0):
			return calibration.Point{}, refuse("say the uncertainty (k = 2) of the reference, from its certificate; it is not zero")
		case q == sensors.RelativeHumidity && (r.Value < 0 || r.Value > 100):
			return calibration.Point{}, refuse("a relative humidity of %g %% is impossible", r.Value)
		}
		return calibration.ReferencePoint(r.Instrument.Name, r.Value, r.Expanded, m), nil
	}
	return calibration.Point{}, refuse("unknown kind of reference %q (want salt, ice or instrument)", r.Kind)
}

// result is what the points read so far give.
func (b *benchState) result() (calibration.Result, error) {
	switch {
	case len(b.Points) < pointsWanted(b.Quantity):
		return calibration.Result{}, refuse("%d of %d points are read", len(b.Points), pointsWanted(b.Quantity))
	case b.Quantity == sensors.RelativeHumidity:
		r, err := calibration.TwoPoint(b.Points[0], b.Points[1])
		return r, refused(err)
	}
	r, err := calibration.OnePoint(b.Points[0])
	return r, refused(err)
}

func (c *core) finishBench(v FinishBench, arrival time.Time) error {
	s, err := c.onBench(v.Sensor)
	if err != nil {
		return err
	}
	result, err := s.bench.result()
	if err != nil {
		return err
	}
	who := v.Who
	if strings.TrimSpace(who) == "" {
		who = s.bench.By
	}
	cert, err := calibration.NewCertificate("", sensors.Series{Sensor: v.Sensor, Quantity: s.bench.Quantity}, who, result, arrival, v.Due, s.bench.Instruments...)
	if err != nil {
		return refused(err)
	}
	cert.Note = v.Note
	if err := c.calibrate(cert, arrival); err != nil {
		return err
	}
	return c.leaveBench(LeaveBench{Sensor: v.Sensor, Who: who})
}

func (c *core) leaveBench(v LeaveBench) error {
	s, err := c.onBench(v.Sensor)
	if err != nil {
		return err
	}
	s.bench = nil
	s.interrupt()
	return nil
}
