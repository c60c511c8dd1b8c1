package quality

import (
	"fmt"
	"math"
	"time"

	"rearguard/sensors"
)

// Climate says what air is expected in a room during some time: beyond Suspect
// a value is suspect, beyond Fail it fails. All ends belong to their span.
type Climate struct {
	// From and To bound the time in which the spans hold; zero is unbounded.
	From time.Time `json:"from,omitzero"`
	To   time.Time `json:"to,omitzero"`
	// Height bounds the height above the floor in metres at which the spans
	// hold; the zero span holds at every height.
	Height  Span `json:"height_meters,omitzero"`
	Suspect Span `json:"suspect"`
	Fail    Span `json:"fail,omitzero"`
}

func (c Climate) covers(t time.Time, height float64) bool {
	return (c.From.IsZero() || !t.Before(c.From)) &&
		(c.To.IsZero() || !t.After(c.To)) &&
		(c.Height.IsZero() || c.Height.Contains(height))
}

// climatology uses the last entry that covers t, so that an exception can
// follow the rule it replaces.
func climatology(t time.Time, x, height float64, spans []Climate) sensors.Flag {
	if math.IsNaN(x) {
		return sensors.Missing
	}
	for i := len(spans) - 1; i >= 0; i-- {
		if spans[i].covers(t, height) {
			return grossRange(x, spans[i].Fail, spans[i].Suspect)
		}
	}
	return sensors.NotEvaluated
}

// Climatology flags values against what is usual at their time and height.
// Where no entry covers a value it is not evaluated; where several do, the
// last one decides. Heights may be nil. Source: IOOS QARTOD manuals, test 5.
func Climatology(t []time.Time, x, heightMeters []float64, spans []Climate) ([]sensors.Flag, error) {
	if len(t) != len(x) || (heightMeters != nil && len(heightMeters) != len(x)) {
		return nil, fmt.Errorf("climatology: %d times and %d heights for %d values: %w",
			len(t), len(heightMeters), len(x), ErrInput)
	}
	out := make([]sensors.Flag, len(x))
	for i, v := range x {
		height := 0.0
		if heightMeters != nil {
			height = heightMeters[i]
		}
		out[i] = climatology(t[i], v, height, spans)
	}
	return out, nil
}
