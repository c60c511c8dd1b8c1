package records

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

// Calibration corrects one series from From on: value = Gain * raw + Offset.
type Calibration struct {
	sensors.Series
	From time.Time
	// Offset is in the unit of the quantity; Gain has none and is 1 for a
	// sensor that is only shifted.
	Offset, Gain float64
	// Details say how it was found (reference, points, person); null when
	// empty.
	Details json.RawMessage
}

func (s *statements) putCohort(ctx context.Context, c *population.Cohort) error {
	body, err := json.Marshal(c)
	if err != nil {
		return err
	}
	_, err = s.cohort.ExecContext(ctx, string(c.ID), string(body))
	return err
}

func (s *statements) putCount(ctx context.Context, c *population.Count) error {
	body, err := json.Marshal(c)
	if err != nil {
		return err
	}
	_, err = s.tally.ExecContext(ctx, int64(c.ID), string(c.Cohort), c.Time.UnixMilli(), string(body))
	return err
}

func (s *statements) putCalibration(ctx context.Context, c *Calibration) error {
	// SQLite has no NaN, and infinite corrections are mistakes.
	if bad := math.Abs(c.Offset) + math.Abs(c.Gain); math.IsNaN(bad) || math.IsInf(bad, 0) {
		return fmt.Errorf("offset %v and gain %v must be finite", c.Offset, c.Gain)
	}
	_, err := s.calibration.ExecContext(ctx, string(c.Sensor), c.Quantity.String(), c.From.UnixMilli(),
		c.Offset, c.Gain, text(c.Details))
	return err
}

// LoadCohorts gives every cohort in the order of its ID.
func (r *Reader) LoadCohorts(ctx context.Context) ([]population.Cohort, error) {
	return collect(ctx, r, scanJSON[population.Cohort], `SELECT body FROM cohort ORDER BY id`)
}

// LoadCounts gives every count in the order of entry.
func (r *Reader) LoadCounts(ctx context.Context) ([]population.Count, error) {
	return collect(ctx, r, scanJSON[population.Count], `SELECT body FROM tally ORDER BY id`)
}

// LoadCalibrations gives every calibration, by sensor and time.
func (r *Reader) LoadCalibrations(ctx context.Context) ([]Calibration, error) {
	return collect(ctx, r, func(rows *sql.Rows) (c Calibration, err error) {
		var quantity, details string
		var from int64
		if err := rows.Scan(&c.Sensor, &quantity, &from, &c.Offset, &c.Gain, &details); err != nil {
			return c, err
		}
		c.From, c.Details = time.UnixMilli(from).UTC(), json.RawMessage(details)
		c.Quantity, err = sensors.ParseQuantity(quantity)
		return c, err
	}, `SELECT sensor, quantity, from_time, offset, gain, details FROM calibration ORDER BY sensor, quantity, from_time`)
}

func scanJSON[T any](rows *sql.Rows) (v T, err error) {
	var body []byte
	if err := rows.Scan(&body); err != nil {
		return v, err
	}
	err = json.Unmarshal(body, &v)
	return v, err
}
