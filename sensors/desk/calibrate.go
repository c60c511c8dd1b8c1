package desk

import (
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// Corrected is a stored reading with the corrections now in force. The stored
// value may be older than they are, or, in a replay, newer.
func (d *Desk) Corrected(r sensors.Reading) sensors.Reading {
	r.Value = d.calibrations.Apply(r.Series, r.Time, r.Raw)
	return r
}

// Calibrate says why a certificate cannot be put into force, or returns how to
// do so. Its correction is applied to readings with event times after arrival,
// or from the certificate's own time if that is later; what is stored stays
// until it is re-applied.
func (d *Desk) Calibrate(cert calibration.Certificate, arrival time.Time) (apply func() calibration.InForce, err error) {
	s, one, err := d.find(cert.Series.Sensor, cert.Series.Quantity)
	if err != nil {
		return nil, err
	}
	next, f, err := d.calibrations.With(cert, arrival)
	if err != nil {
		return nil, err
	}
	return func() calibration.InForce {
		d.calibrations = next
		s.forgetHabits(one)
		return f
	}, nil
}

// forgetHabits makes comparisons of a series begin anew, since its values are
// others now.
func (s *Sensor) forgetHabits(one *series) {
	one.assess.Interrupt()
	one.findings, one.flagged = nil, time.Time{}
	if one.neighbours != nil {
		one.neighbours.Rebase(s.config.ID)
	}
}

// Reapplied is what a re-applied calibration changes beyond the desk.
type Reapplied struct {
	Series sensors.Series
	// Kept are the corrections to be kept: those of older certificates that it
	// overrules say what it does from then on, itself last.
	Kept []calibration.InForce
	// Value is what a raw value of the series is worth now.
	Value func(at time.Time, raw float64) float64
}

// Reapply says why the newest calibration of a series cannot be made to hold
// from an earlier time on, or returns how to do so. What was made from the
// stored values is then to be made again.
func (d *Desk) Reapply(id sensors.SensorID, q sensors.Quantity, from, arrival time.Time) (apply func() Reapplied, err error) {
	s, one, err := d.find(id, q)
	if err != nil {
		return nil, err
	}
	next, kept, err := d.calibrations.Reapplied(one.key, from, arrival)
	if err != nil {
		return nil, err
	}
	out := Reapplied{Series: one.key, Kept: kept}
	out.Value = func(at time.Time, raw float64) float64 { return next.Apply(one.key, at, raw) }
	return func() Reapplied {
		d.calibrations = next
		for _, r := range []*sensors.Reading{&one.newest, &one.usable} {
			if !r.Time.IsZero() {
				*r = d.Corrected(*r)
			}
		}
		s.forgetHabits(one)
		return out
	}, nil
}
