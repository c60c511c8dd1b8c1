package daemon

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
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

// correction is what the certificate does to readings.
func (f InForce) correction() calibration.Correction {
	c := f.Certificate.Correction()
	c.From = f.Holds
	return c
}

// rebuildCorrections makes the set of corrections anew. The old set is never
// changed: a commit under way may still use it.
func (c *core) rebuildCorrections() error {
	set := &calibration.Set{}
	for _, f := range c.certificates {
		if f.Overruled {
			continue
		}
		if err := set.Add(f.correction()); err != nil {
			return err
		}
	}
	c.corrections = set
	return nil
}

// series finds a series that is measured.
func (c *core) series(id sensors.SensorID, q sensors.Quantity) (*sensorState, *seriesState, error) {
	s := c.byID[id]
	if s == nil {
		return nil, nil, refuse("there is no sensor %q", id)
	}
	if int(q) >= quantities || s.series[q] == nil {
		return nil, nil, refuse("sensor %s does not measure %s", id, q)
	}
	return s, s.series[q], nil
}

// calibrate puts a certificate into force. Its correction is applied to
// readings with event times from now on, or from the certificate's own time if
// that is later; what is stored stays until it is re-applied.
func (c *core) calibrate(cert calibration.Certificate, arrival time.Time) error {
	s, state, err := c.series(cert.Series.Sensor, cert.Series.Quantity)
	if err != nil {
		return err
	}
	if err := cert.Correction().Validate(); err != nil {
		return refused(err)
	}
	if cert.By == "" {
		return refuse("a calibration needs the name of who did it")
	}
	if cert.Number == "" {
		cert.Number = fmt.Sprintf("%s-%03d", cert.At.UTC().Format("20060102"), len(c.certificates)+1)
	}
	if slices.ContainsFunc(c.certificates, func(f InForce) bool { return f.Certificate.Number == cert.Number }) {
		return refuse("there is a certificate %s already", cert.Number)
	}
	f := InForce{Certificate: cert, Holds: later(cert.From, arrival)}
	kept := c.certificates
	c.certificates = append(slices.Clone(kept), f)
	if err := c.rebuildCorrections(); err != nil {
		c.certificates = kept
		return refused(err)
	}
	if err := c.keepCalibration(f); err != nil {
		return err
	}
	c.forgetHabits(s, state)
	return nil
}

// keepCalibration puts a correction into the records' own table.
func (c *core) keepCalibration(f InForce) error {
	details, err := json.Marshal(f.Certificate)
	if err != nil {
		return fmt.Errorf("certificate %s: %w", f.Certificate.Number, err)
	}
	k := f.correction()
	c.out.Calibrations = append(c.out.Calibrations, records.Calibration{Series: k.Series, From: k.From, Offset: k.Offset, Gain: k.Gain, Details: details})
	return nil
}

// forgetHabits makes comparisons of a series begin anew, since its values are
// others now.
func (c *core) forgetHabits(s *sensorState, state *seriesState) {
	state.assess.Interrupt()
	state.findings, state.flagged = nil, time.Time{}
	if state.neighbours != nil {
		state.neighbours.Rebase(s.config.ID)
	}
}

// reapplyCalibration lets the newest calibration of a series hold from an
// earlier time on, and has everything made from the stored values made again.
func (c *core) reapplyCalibration(v ReapplyCalibration, arrival time.Time) error {
	s, state, err := c.series(v.Sensor, v.Quantity)
	if err != nil {
		return err
	}
	newest := -1
	for i, f := range c.certificates {
		if f.Certificate.Series == state.key && !f.Overruled && (newest < 0 || !f.Certificate.At.Before(c.certificates[newest].Certificate.At)) {
			newest = i
		}
	}
	switch {
	case newest < 0:
		return refuse("the %s of sensor %s was never calibrated", v.Quantity, v.Sensor)
	case v.From.IsZero() || v.From.After(arrival):
		return refuse("say from when in the past the calibration is to hold")
	}
	certificates := slices.Clone(c.certificates)
	certificates[newest].Holds = v.From
	for i := range certificates {
		f := &certificates[i]
		if i == newest || f.Certificate.Series != state.key || f.Overruled || f.Holds.Before(v.From) {
			continue
		}
		f.Overruled = true
		// The table of the records has no such mark; from then on it says
		// what the newest does.
		over := certificates[newest]
		over.Holds = f.Holds
		if err := c.keepCalibration(over); err != nil {
			return err
		}
	}
	c.certificates = certificates
	if err := c.rebuildCorrections(); err != nil {
		return err
	}
	if err := c.keepCalibration(certificates[newest]); err != nil {
		return err
	}
	set, key := c.corrections, state.key
	c.out.Revalues = append(c.out.Revalues, records.Revalue{Series: key, From: v.From, Value: func(at time.Time, raw float64) float64 {
		return set.Apply(key, at, raw)
	}})
	for _, r := range []*sensors.Reading{&state.newest, &state.usable} {
		if !r.Time.IsZero() {
			*r = c.corrected(*r)
		}
	}
	c.forgetHabits(s, state)
	if s.room == nil || v.Quantity != sensors.Temperature {
		return nil
	}
	return c.refillTail(s.room, v.From)
}

// refillTail reads the unsettled part of a room's curve from the records
// again, and sends the settled part back to before a time.
func (c *core) refillTail(r *roomState, from time.Time) error {
	t := &r.track
	if !from.After(t.settled) {
		t.goBack(from, c.clock)
	}
	t.version++
	t.tail = t.tail[:0]
	return c.history.Temperatures(r.sensorIDs(), t.settled, c.clock.Add(c.facility.Ingest.FutureTolerance), func(reading sensors.Reading) bool {
		if s, ok := sample(c.corrected(reading)); ok {
			at, _ := slices.BinarySearchFunc(t.tail, s, roomair.Sample.Compare)
			t.tail = slices.Insert(t.tail, at, s)
		}
		return true
	})
}

// corrected is a stored reading with the corrections now in force. The stored
// value may be older than they are, or, in a replay, newer.
func (c *core) corrected(r sensors.Reading) sensors.Reading {
	r.Value = c.corrections.Apply(r.Series, r.Time, r.Raw)
	return r
}

// sensorIDs are all sensors that ever measured the room's air.
func (r *roomState) sensorIDs() []sensors.SensorID {
	ids := make([]sensors.SensorID, 0, len(r.sensors)+len(r.past))
	for _, list := range [2][]*sensorState{r.sensors, r.past} {
		for _, s := range list {
			ids = append(ids, s.config.ID)
		}
	}
	return ids
}
