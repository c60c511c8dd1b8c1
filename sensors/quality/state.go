package quality

import (
	"fmt"
	"math"

	"rearguard/sensors"
)

// Sample is one remembered reading: event time in Unix milliseconds, value,
// and the flag it was given. A zero Flag means there is none.
type Sample struct {
	At    int64        `json:"at"`
	Value float64      `json:"value"`
	Flag  sensors.Flag `json:"flag"`
}

// State is all an Assessor remembers. It is a plain value: a copy is a
// checkpoint. Times are event times in Unix milliseconds, zero is never.
type State struct {
	Quantity sensors.Quantity `json:"quantity"`
	// Last and Before are the two newest readings within the sensor span.
	Last   Sample `json:"last"`
	Before Sample `json:"before"`
	// Newest is the newest event time of any reading.
	Newest int64 `json:"newest"`
	// Late counts readings in a row that were older than Newest; LateAt is the
	// last of them.
	Late   int   `json:"late"`
	LateAt int64 `json:"late_at"`
	// IntervalSeconds is the usual time between readings, Intervals how many
	// were seen (it stops counting at 1000).
	IntervalSeconds float64 `json:"interval_seconds"`
	Intervals       int     `json:"intervals"`

	Flat  flatState  `json:"flat"`
	Unit  unitState  `json:"unit"`
	Noise noiseState `json:"noise"`
	// WetSince is when humidity reached saturation.
	WetSince int64      `json:"wet_since"`
	Range    rangeState `json:"range,omitzero"`
}

// State returns a checkpoint of a.
func (a *Assessor) State() State { return a.s }

// Restore continues from a checkpoint, so that the readings that follow get
// the flags they would have got without the interruption. It refuses the
// state of another quantity and numbers no Assessor would have written.
func (a *Assessor) Restore(s State) error {
	if s.Quantity != a.q {
		return fmt.Errorf("restore quality state: it is of %v, want %v", s.Quantity, a.q)
	}
	for _, x := range []float64{
		s.Last.Value, s.Before.Value, s.IntervalSeconds, s.Flat.Value, s.Flat.Seconds, s.Flat.Longest,
		s.Flat.Step.Resolution, s.Flat.Step.Candidate, s.Unit.Level, s.Noise.Usual, s.Noise.Now,
	} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("restore quality state of %v: a value is not a finite number", a.q)
		}
	}
	if s.IntervalSeconds < 0 || s.Intervals < 0 || s.Noise.Windows < 0 || s.Noise.Count < 0 || s.Flat.Count < 0 {
		return fmt.Errorf("restore quality state of %v: a count is negative", a.q)
	}
	a.s = s
	return nil
}

// Interval returns the usual time between readings in seconds, and how many
// intervals it was learned from.
func (a *Assessor) Interval() (seconds float64, seen int) { return a.s.IntervalSeconds, a.s.Intervals }
