// Package calibration makes a sensor's raw value right: corrections that hold
// from a time on, the bench that says when a sensor under test has settled,
// the fixed points of saturated salts, and the certificate that records it.
//
// Nothing here touches raw values that are stored; a correction can be applied
// to them again at any time.
package calibration

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rearguard/sensors"
)

// The kinds of refusal.
var (
	// ErrNotNumber marks values that are no finite numbers, or are missing.
	ErrNotNumber = errors.New("not a finite number")
	// ErrUnstable marks a reading taken before the sensor had settled.
	ErrUnstable = errors.New("reading is not stable")
	// ErrTooClose marks two points too near each other to give a slope.
	ErrTooClose = errors.New("points are too close")
	// ErrOrder marks readings that contradict the order of the references.
	ErrOrder = errors.New("readings are in the wrong order")
	// ErrTooLarge marks a correction beyond what a sound sensor needs.
	ErrTooLarge = errors.New("correction is too large")
	// ErrReference marks a reference that is unknown or out of its range.
	ErrReference = errors.New("unusable reference")
)

// Limits of a believable correction; common practice, no published source. A
// sensor that needs more is broken or was put into the wrong salt.
const (
	MinGain = 0.8
	MaxGain = 1.25
	// MaxTemperatureShift is in °C, MaxHumidityShift in % relative humidity.
	MaxTemperatureShift = 3.0
	MaxHumidityShift    = 15.0
)

// resolution to which corrected values are rounded, so that they stay decimal
// and pack well; far below what any sensor resolves.
const resolution = 1e4

// Correction turns raw values of one series into calibrated ones from a time
// on: value = Gain*raw + Offset.
type Correction struct {
	Series sensors.Series `json:"series"`
	// From is the first event time at which it holds.
	From time.Time `json:"from"`
	// Offset is in the quantity's unit, Gain a ratio.
	Offset float64 `json:"offset"`
	Gain   float64 `json:"gain"`
	// Uncertainty of the corrected value, expanded (k = 2), in the quantity's
	// unit; the largest between the points.
	Uncertainty float64 `json:"uncertainty"`
	// By is who calibrated, Reference against what.
	By        string `json:"by,omitempty"`
	Reference string `json:"reference,omitempty"`
	// Due is when the next calibration should be done; zero for never.
	Due time.Time `json:"due,omitzero"`
}

// Apply returns the corrected value, rounded to 1e-4. NaN stays NaN, and so is
// what no float64 can hold: no sum may become infinite.
func (c Correction) Apply(raw float64) float64 {
	v := math.Round((c.Gain*raw+c.Offset)*resolution) / resolution
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

// Validate reports a correction that no sound sensor needs.
func (c Correction) Validate() error {
	switch {
	case c.Series.Sensor == "" || c.Series.Quantity.Unit() == "":
		return fmt.Errorf("correction: name a sensor and a quantity: %w", ErrReference)
	case c.From.IsZero():
		return fmt.Errorf("correction of %s: say from when it holds: %w", c.Series.Sensor, ErrNotNumber)
	case !finite(c.Gain, c.Offset, c.Uncertainty) || c.Uncertainty < 0:
		return fmt.Errorf("correction of %s: gain %g, offset %g, uncertainty %g: %w",
			c.Series.Sensor, c.Gain, c.Offset, c.Uncertainty, ErrNotNumber)
	}
	return checkGain(c.Gain)
}

func checkGain(gain float64) error {
	if !(gain >= MinGain && gain <= MaxGain) {
		return fmt.Errorf("gain %.3f is outside %g to %g: %w", gain, MinGain, MaxGain, ErrTooLarge)
	}
	return nil
}

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// Set holds the corrections of all series. The zero value holds none. It is
// not safe for concurrent use.
type Set struct {
	series map[sensors.Series][]Correction // oldest first
}

// Add puts a correction in its place. One that begins at the same time as
// another of its series replaces it.
func (s *Set) Add(c Correction) error {
	if err := c.Validate(); err != nil {
		return err
	}
	if s.series == nil {
		s.series = make(map[sensors.Series][]Correction)
	}
	list := s.series[c.Series]
	i, same := slices.BinarySearchFunc(list, c.From, func(c Correction, t time.Time) int { return c.From.Compare(t) })
	if same {
		list[i] = c
	} else {
		s.series[c.Series] = slices.Insert(list, i, c)
	}
	return nil
}

// At returns the correction of a series that holds at time t, if any.
func (s *Set) At(series sensors.Series, t time.Time) (Correction, bool) {
	list := s.series[series]
	// Nearly always the newest one holds.
	for i := len(list) - 1; i >= 0; i-- {
		if !t.Before(list[i].From) {
			return list[i], true
		}
	}
	return Correction{}, false
}

// Apply returns the calibrated value of a raw one measured at time t, and raw
// itself when no correction holds then.
func (s *Set) Apply(series sensors.Series, t time.Time, raw float64) float64 {
	list := s.series[series]
	for i := len(list) - 1; i >= 0; i-- {
		if !t.Before(list[i].From) {
			return list[i].Apply(raw)
		}
	}
	return raw
}

// History returns the corrections of a series, oldest first.
func (s *Set) History(series sensors.Series) []Correction { return slices.Clone(s.series[series]) }

// Overdue returns the newest correction of each series whose next calibration
// was due before now, the longest overdue first. It is a reminder, not an
// alarm.
func (s *Set) Overdue(now time.Time) []Correction {
	var due []Correction
	for _, list := range s.series {
		if c := list[len(list)-1]; !c.Due.IsZero() && c.Due.Before(now) {
			due = append(due, c)
		}
	}
	slices.SortFunc(due, func(a, b Correction) int {
		return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Series.Sensor, b.Series.Sensor), cmp.Compare(a.Series.Quantity, b.Series.Quantity))
	})
	return due
}
