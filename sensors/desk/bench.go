package desk

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

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
		s.bench = calibration.NewSession(q, by, at)
		// What it said last may already have been said on the way to the bench.
		s.withhold(sensors.Fail)
	}, nil
}

// ReadBench says why a sensor on the bench cannot be read against a reference,
// or returns how to keep the point.
func (d *Desk) ReadBench(id sensors.SensorID, ref calibration.Reference, now time.Time) (apply func(), err error) {
	s, err := d.onBench(id)
	if err != nil {
		return nil, err
	}
	return s.bench.Read(ref, now)
}

// FinishBench says why a sensor's calibration cannot be finished, or returns
// how to put what was measured into force and bring the sensor back. Due may
// be zero, for a year.
func (d *Desk) FinishBench(id sensors.SensorID, who, note string, due, at time.Time) (apply func() calibration.InForce, err error) {
	s, err := d.onBench(id)
	if err != nil {
		return nil, err
	}
	cert, err := s.bench.Certificate(id, who, note, due, at)
	if err != nil {
		return nil, err
	}
	calibrate, err := d.Calibrate(cert, at)
	if err != nil {
		return nil, err
	}
	return func() calibration.InForce {
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
