package calibration

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"rearguard/sensors"
)

// InForce is a certificate and from when on its correction holds. A new one
// holds for readings that are still to come, until it is re-applied.
type InForce struct {
	Certificate Certificate `json:"certificate"`
	Holds       time.Time   `json:"holds"`
	// Overruled is set when a newer one was re-applied over its whole time.
	Overruled bool `json:"overruled,omitempty"`
}

// Correction is what the certificate does to readings.
func (f InForce) Correction() Correction {
	c := f.Certificate.Correction()
	c.From = f.Holds
	return c
}

// Register holds all certificates and the corrections that follow. It is a
// value that never changes: a commit under way may still read the one before.
type Register struct {
	certificates []InForce
	set          Set
}

// NewRegister returns the register of some certificates.
func NewRegister(certificates []InForce) (Register, error) {
	r := Register{certificates: certificates}
	for _, f := range certificates {
		if f.Overruled {
			continue
		}
		if err := r.set.Add(f.Correction()); err != nil {
			return Register{}, err
		}
	}
	return r, nil
}

// Certificates are all certificates, in the order in which they were entered.
func (r *Register) Certificates() []InForce { return r.certificates }

// Apply returns the calibrated value of a raw one measured at a time.
func (r *Register) Apply(series sensors.Series, at time.Time, raw float64) float64 {
	return r.set.Apply(series, at, raw)
}

// InForce is the calibration that holds now for a series, nil for none.
func (r *Register) InForce(series sensors.Series) *InForce {
	var found *InForce
	for i := range r.certificates {
		f := &r.certificates[i]
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

// NewestFirst are the certificates in the order in which people read them.
func (r *Register) NewestFirst() []InForce {
	list := slices.Clone(r.certificates)
	slices.SortStableFunc(list, func(a, b InForce) int {
		return cmp.Or(b.Certificate.At.Compare(a.Certificate.At), cmp.Compare(b.Certificate.Number, a.Certificate.Number))
	})
	return list
}

// With says why a certificate cannot be entered, or returns the register with it.
// Its correction holds for event times after arrival, or from the certificate's
// own time if that is later. Without a number it is given one.
func (r *Register) With(cert Certificate, arrival time.Time) (Register, InForce, error) {
	none := InForce{}
	if err := cert.Correction().Validate(); err != nil {
		return *r, none, err
	}
	if cert.By == "" {
		return *r, none, errors.New("a calibration needs the name of who did it")
	}
	if cert.Number == "" {
		cert.Number = fmt.Sprintf("%s-%03d", cert.At.UTC().Format("20060102"), len(r.certificates)+1)
	}
	if slices.ContainsFunc(r.certificates, func(f InForce) bool { return f.Certificate.Number == cert.Number }) {
		return *r, none, fmt.Errorf("there is a certificate %s already", cert.Number)
	}
	f := InForce{Certificate: cert, Holds: cert.From}
	if arrival.After(f.Holds) {
		f.Holds = arrival
	}
	next, err := NewRegister(append(slices.Clone(r.certificates), f))
	return next, f, err
}

// Reapplied says why the newest calibration of a series cannot be made to hold
// from an earlier time on, or returns the register in which it does. Kept are the
// corrections to be kept: those of older certificates that it overrules say what
// it does from then on, itself last.
func (r *Register) Reapplied(series sensors.Series, from, arrival time.Time) (next Register, kept []InForce, err error) {
	newest := -1
	for i, f := range r.certificates {
		if f.Certificate.Series == series && !f.Overruled && (newest < 0 || !f.Certificate.At.Before(r.certificates[newest].Certificate.At)) {
			newest = i
		}
	}
	switch {
	case newest < 0:
		return *r, nil, fmt.Errorf("the %s of sensor %s was never calibrated", series.Quantity, series.Sensor)
	case from.IsZero() || from.After(arrival):
		return *r, nil, errors.New("say from when in the past the calibration is to hold")
	}
	certificates := slices.Clone(r.certificates)
	certificates[newest].Holds = from
	for i := range certificates {
		f := &certificates[i]
		if i == newest || f.Certificate.Series != series || f.Overruled || f.Holds.Before(from) {
			continue
		}
		f.Overruled = true
		over := certificates[newest]
		over.Holds = f.Holds
		kept = append(kept, over)
	}
	kept = append(kept, certificates[newest])
	next, err = NewRegister(certificates)
	return next, kept, err
}

// Rewound has corrections hold from a time that held from later on: they were
// put into force before the clock was set back to it.
func (r *Register) Rewound(to time.Time) (Register, error) {
	certificates := slices.Clone(r.certificates)
	for i := range certificates {
		if certificates[i].Holds.After(to) {
			certificates[i].Holds = to
		}
	}
	return NewRegister(certificates)
}
