package fold

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// Calibrate puts a certificate into force that was made elsewhere, for readings
// from its From on that are still to come.
type Calibrate struct {
	Certificate calibration.Certificate `json:"certificate"`
	Who         string                  `json:"who"`
}

// Kind names the command in the journal.
func (Calibrate) Kind() string { return "calibrate" }

func (c Calibrate) who() string { return c.Who }

func (c Calibrate) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	calibrate, err := f.desk.Calibrate(c.Certificate, at)
	return func() error { return f.out.keepCalibration(calibrate()) }, err
}

// keepCalibration puts a correction into the records' own table.
func (o *output) keepCalibration(in calibration.InForce) error {
	details, err := json.Marshal(in.Certificate)
	if err != nil {
		return fmt.Errorf("certificate %s: %w", in.Certificate.Number, err)
	}
	k := in.Correction()
	o.batch.Calibrations = append(o.batch.Calibrations, records.Calibration{Series: k.Series, From: k.From, Offset: k.Offset, Gain: k.Gain, Details: details})
	return nil
}

// ReapplyCalibration makes the newest calibration of a series hold from an
// earlier time on, and corrects what is stored from then: values and thermal
// time.
type ReapplyCalibration struct {
	Sensor   sensors.SensorID `json:"sensor"`
	Quantity sensors.Quantity `json:"quantity"`
	From     time.Time        `json:"from"`
	Who      string           `json:"who"`
}

// Kind names the command in the journal.
func (ReapplyCalibration) Kind() string { return "reapply-calibration" }

func (c ReapplyCalibration) who() string { return c.Who }

func (c ReapplyCalibration) check(ctx context.Context, f *Fold, at time.Time) (change, error) {
	reapply, err := f.desk.Reapply(c.Sensor, c.Quantity, c.From, at)
	if err != nil {
		return nil, err
	}
	room := f.rooms.by[f.desk.Sensor(c.Sensor).Config().Room]
	if c.Quantity != sensors.Temperature {
		room = nil
	}
	var stored []sensors.Reading
	if room != nil {
		if stored, err = f.rooms.unsettled(ctx, room); err != nil {
			return nil, fmt.Errorf("%w: %w", errUnread, err)
		}
	}
	return func() error {
		done := reapply()
		for _, in := range done.Kept {
			if err := f.out.keepCalibration(in); err != nil {
				return err
			}
		}
		f.out.batch.Revalues = append(f.out.batch.Revalues, records.Revalue{Series: done.Series, From: c.From, Value: done.Value})
		if room != nil {
			f.rooms.refill(room, stored, c.From)
		}
		return nil
	}, nil
}

// unsettled are the stored readings of the unsettled part of a room's curve.
func (rs *rooms) unsettled(ctx context.Context, r *room) ([]sensors.Reading, error) {
	return rs.air(r).Stored(ctx, r.track.Settled, rs.clock.Add(rs.facility.Ingest.FutureTolerance))
}

// refill makes the unsettled part of a room's curve anew by the corrections in
// force, and sends the settled part back to before a time.
func (rs *rooms) refill(r *room, stored []sensors.Reading, from time.Time) {
	if !from.After(r.track.Settled) {
		r.track.GoBack(from, rs.clock)
	}
	r.track.Refill(rs.air(r).Samples(stored))
}
