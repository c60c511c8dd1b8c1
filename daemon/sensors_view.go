package daemon

import (
	"cmp"
	"errors"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/quality"
)

// FindingView is one complaint about a sensor.
type FindingView struct {
	// Quantity is zero when it is about the device as a whole.
	Quantity sensors.Quantity
	Check    quality.Check
	// Flag is what the complaint makes of a reading; zero for a complaint
	// about the device, whose readings are not the worse for it.
	Flag sensors.Flag
	// Text says what is wrong, Since is when it began.
	Text  string
	Since time.Time
}

// SeriesView is one quantity of a sensor beyond its newest value.
type SeriesView struct {
	Quantity sensors.Quantity
	// FlaggedSince is since when no reading has been usable, zero if the
	// newest one is.
	FlaggedSince time.Time
	// Offset is how far the newest value is from the median of the room's good
	// sensors, nil with fewer than two of them.
	Offset *float64
	// Drift is a slow departure from the other sensors of the room.
	Drift *quality.Drift
	// Amended is the last single spike found after the fact.
	Amended *quality.Amendment
	// Calibration is the one in force, nil if there is none.
	Calibration *InForce
}

// SensorHealth is the device behind the readings.
type SensorHealth struct {
	// Interval is the learned time between reports, 0 while unknown.
	Interval time.Duration
	// SilentAfter is how long it may be silent before that counts.
	SilentAfter time.Duration
	// Announces is set for a sensor that says whether it is there, GoneSince
	// is since when it has said that it is not.
	Announces bool
	GoneSince time.Time
	// ClockSkew is how far its own clock is ahead, nil while unknown.
	ClockSkew *time.Duration
	// BatteryPerDay is the trend in percent a day and BatteryDays how many
	// days are left at it, nil while unknown or not falling.
	BatteryPerDay, BatteryDays *float64
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

// DisagreementView is how far the sensors of a room are apart.
type DisagreementView struct {
	Quantity sensors.Quantity
	// Spread is the largest difference between two fresh sensors, each
	// corrected by where it usually stands; Limit is what is still agreement.
	Spread, Limit float64
	Sensors       int
	Raised        bool
}

// sensorDetails completes the view of a sensor.
func (c *core) sensorDetails(s *sensorState, v *SensorView) {
	v.Place, v.Replaces, v.Retired, v.HeightM = s.config.Place, s.config.Replaces, s.config.Retired, s.config.HeightM
	if s.heard.IsZero() {
		v.LastReading = time.Time{}
	}
	v.Health = SensorHealth{SilentAfter: s.silentAfter(), Announces: s.health.Announced || s.config.Availability != nil, GoneSince: s.health.Gone}
	v.Health.Interval, _ = s.health.Habit.Interval()
	if skew, ok := s.health.Clock.Skew(); ok {
		ahead := -skew
		v.Health.ClockSkew = &ahead
	}
	if perDay, left, ok := s.health.Battery.Fade(c.clock); ok {
		v.Health.BatteryPerDay = &perDay
		if !math.IsInf(left, 0) {
			v.Health.BatteryDays = &left
		}
	}
	for _, f := range s.health.findings(c.clock) {
		v.Findings = append(v.Findings, FindingView{Check: f.Check, Text: f.String(), Since: f.Since})
	}
	for _, swap := range c.swaps {
		other := swap.B
		if other == s.config.ID {
			other = swap.A
		} else if swap.A != s.config.ID {
			continue
		}
		v.Findings = append(v.Findings, FindingView{Check: quality.CheckSwap, Flag: sensors.Suspect, Text: "looks exchanged with " + string(other), Since: swap.Since})
	}
	for q, series := range s.series {
		if series == nil {
			continue
		}
		one := SeriesView{Quantity: sensors.Quantity(q), FlaggedSince: series.flagged, Amended: series.amended}
		for _, f := range series.findings {
			text := f.String()
			if f.Check == checkBench {
				text = "on the calibration bench"
			}
			v.Findings = append(v.Findings, FindingView{Quantity: one.Quantity, Check: f.Check, Flag: f.Flag, Text: text, Since: f.Since})
		}
		if series.neighbours != nil {
			if d, ok := series.neighbours.Drift(s.config.ID); ok {
				one.Drift = &d
			}
		}
		one.Offset = s.offset(one.Quantity, c.clock)
		one.Calibration = c.inForce(series.key)
		v.Series = append(v.Series, one)
	}
	if s.bench != nil {
		v.Bench = s.bench.view()
	}
}

// offset is how far the newest value of a sensor is from the median of the
// room's good ones.
func (s *sensorState) offset(q sensors.Quantity, now time.Time) *float64 {
	own, ok := s.present(q, now)
	if s.room == nil || !ok {
		return nil
	}
	var values []float64
	for _, o := range s.room.sensors {
		if r, ok := o.present(q, now); ok && r.Flag.Usable() {
			values = append(values, r.Value)
		}
	}
	if len(values) < 2 {
		return nil
	}
	d := own.Value - roomair.Median(values)
	return &d
}

// inForce is the calibration that holds now for a series.
func (c *core) inForce(series sensors.Series) *InForce {
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

func (b *benchState) view() *BenchView {
	v := &BenchView{
		Quantity: b.Quantity, Since: b.Since, By: b.By, Now: b.bench.Read(), Curve: b.bench.Curve(),
		Limits: calibration.DefaultStability(b.Quantity), Points: slices.Clone(b.Points), Wanted: pointsWanted(b.Quantity),
	}
	if len(v.Points) < v.Wanted {
		return v
	}
	r, err := b.result()
	if err != nil {
		v.Problem = reason(err)
		return v
	}
	v.Result = &r
	return v
}

// reason is the text of a refusal without the word refused.
func reason(err error) string {
	if errors.Is(err, ErrRefused) {
		return strings.TrimPrefix(err.Error(), ErrRefused.Error()+": ")
	}
	return err.Error()
}

// disagreements are how far the sensors of a room are apart.
func (c *core) disagreements(r *roomState) []DisagreementView {
	var out []DisagreementView
	for i, q := range comparedQuantities() {
		spread, fresh := r.neighbours[i].Disagreement(c.clock)
		if fresh < 2 {
			continue
		}
		limit := quality.DefaultNeighbourConfig(q).Far
		out = append(out, DisagreementView{Quantity: q, Spread: spread, Limit: limit, Sensors: fresh, Raised: spread > limit})
	}
	return out
}

// sensorSnapshot adds what is said about sensors as a whole to a snapshot.
func (c *core) sensorSnapshot(s *Snapshot) {
	for _, one := range c.retired {
		v := SensorView{ID: one.config.ID, Position: one.config.Position, LastReading: one.told}
		if one.room != nil {
			v.Room = one.room.config.ID
		}
		c.sensorDetails(one, &v)
		s.Retired = append(s.Retired, v)
	}
	s.Unclaimed = c.unclaimedViews()
	s.Swaps = c.swaps
	s.Certificates = slices.Clone(c.certificates)
	slices.SortStableFunc(s.Certificates, func(a, b InForce) int {
		return cmp.Or(b.Certificate.At.Compare(a.Certificate.At), cmp.Compare(b.Certificate.Number, a.Certificate.Number))
	})
}

// CalibrationDue is a reminder that a calibration is to be done again.
type CalibrationDue struct {
	Series sensors.Series
	Due    time.Time
	// Over is set when it should have been done by now.
	Over bool
}

// CalibrationsDue lists the series whose calibration is due within a time,
// soonest first. It is a reminder, never an alarm.
func (s *Snapshot) CalibrationsDue(within time.Duration) []CalibrationDue {
	var due []CalibrationDue
	for i := range s.Sensors {
		for _, one := range s.Sensors[i].Series {
			if f := one.Calibration; f != nil && !f.Certificate.Due.IsZero() && f.Certificate.Due.Before(s.Time.Add(within)) {
				due = append(due, CalibrationDue{f.Certificate.Series, f.Certificate.Due, f.Certificate.Overdue(s.Time)})
			}
		}
	}
	slices.SortFunc(due, func(a, b CalibrationDue) int {
		return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Series.Sensor, b.Series.Sensor), cmp.Compare(a.Series.Quantity, b.Series.Quantity))
	})
	return due
}
