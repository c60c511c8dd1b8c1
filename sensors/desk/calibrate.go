package desk

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// InForce is a certificate and from when on its correction holds. A new one
// holds for readings that are still to come, until it is re-applied.
type InForce struct {
	Certificate calibration.Certificate `json:"certificate"`
	Holds       time.Time               `json:"holds"`
	// Overruled is set when a newer one was re-applied over its whole time.
	Overruled bool `json:"overruled,omitempty"`
}

// Correction is what the certificate does to readings.
func (f InForce) Correction() calibration.Correction {
	c := f.Certificate.Correction()
	c.From = f.Holds
	return c
}

// calibrations are all certificates and the corrections that follow.
type calibrations struct {
	certificates []InForce
	// set is never changed once it is in use: a commit under way may still
	// read it.
	set *calibration.Set
}

// with are the calibrations with other certificates.
func with(certificates []InForce) (calibrations, error) {
	set := &calibration.Set{}
	for _, f := range certificates {
		if f.Overruled {
			continue
		}
		if err := set.Add(f.Correction()); err != nil {
			return calibrations{}, err
		}
	}
	return calibrations{certificates, set}, nil
}

// inForce is the calibration that holds now for a series, nil for none.
func (c *calibrations) inForce(series sensors.Series) *InForce {
	var found *InForce
	for i := range c.certificates {
		f := &c.certificates[i]
		if f.Certificate.Series == series && !f.Overruled && (found == nil || !f.Holds.Before(found.Holds)) {
			found = f
		}
	}
	if found == nil {
		return nil
	}
	kept := *found
	return &kept
}

// newestFirst are the certificates in the order in which people read them.
func (c *calibrations) newestFirst() []InForce {
	list := slices.Clone(c.certificates)
	slices.SortStableFunc(list, func(a, b InForce) int {
		return cmp.Or(b.Certificate.At.Compare(a.Certificate.At), cmp.Compare(b.Certificate.Number, a.Certificate.Number))
	})
	return list
}

// Corrected is a stored reading with the corrections now in force. The stored
// value may be older than they are, or, in a replay, newer.
func (d *Desk) Corrected(r sensors.Reading) sensors.Reading {
	r.Value = d.calibrations.set.Apply(r.Series, r.Time, r.Raw)
	return r
}

// Calibrate says why a certificate cannot be put into force, or returns how to
// do so. Its correction is applied to readings with event times after arrival,
// or from the certificate's own time if that is later; what is stored stays
// until it is re-applied.
func (d *Desk) Calibrate(cert calibration.Certificate, arrival time.Time) (apply func() InForce, err error) {
	s, one, err := d.find(cert.Series.Sensor, cert.Series.Quantity)
	if err != nil {
		return nil, err
	}
	if err := cert.Correction().Validate(); err != nil {
		return nil, err
	}
	if cert.By == "" {
		return nil, errors.New("a calibration needs the name of who did it")
	}
	kept := d.calibrations.certificates
	if cert.Number == "" {
		cert.Number = fmt.Sprintf("%s-%03d", cert.At.UTC().Format("20060102"), len(kept)+1)
	}
	if slices.ContainsFunc(kept, func(f InForce) bool { return f.Certificate.Number == cert.Number }) {
		return nil, fmt.Errorf("there is a certificate %s already", cert.Number)
	}
	f := InForce{Certificate: cert, Holds: Later(cert.From, arrival)}
	next, err := with(append(slices.Clone(kept), f))
	if err != nil {
		return nil, err
	}
	return func() InForce {
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
	Sensor *Sensor
	Series sensors.Series
	// Kept are the corrections to be kept: those of older certificates that it
	// overrules say what it does from then on, itself last.
	Kept []InForce
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
	newest := -1
	for i, f := range d.calibrations.certificates {
		if f.Certificate.Series == one.key && !f.Overruled && (newest < 0 || !f.Certificate.At.Before(d.calibrations.certificates[newest].Certificate.At)) {
			newest = i
		}
	}
	switch {
	case newest < 0:
		return nil, fmt.Errorf("the %s of sensor %s was never calibrated", q, id)
	case from.IsZero() || from.After(arrival):
		return nil, errors.New("say from when in the past the calibration is to hold")
	}
	certificates := slices.Clone(d.calibrations.certificates)
	certificates[newest].Holds = from
	out := Reapplied{Sensor: s, Series: one.key}
	for i := range certificates {
		f := &certificates[i]
		if i == newest || f.Certificate.Series != one.key || f.Overruled || f.Holds.Before(from) {
			continue
		}
		f.Overruled = true
		over := certificates[newest]
		over.Holds = f.Holds
		out.Kept = append(out.Kept, over)
	}
	out.Kept = append(out.Kept, certificates[newest])
	next, err := with(certificates)
	if err != nil {
		return nil, err
	}
	out.Value = func(at time.Time, raw float64) float64 { return next.set.Apply(one.key, at, raw) }
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
