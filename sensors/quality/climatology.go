package quality

import (
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

// climatology is the test against what is usual at a time and height. Where no
// entry covers them the value is not evaluated; where several do, the last one
// decides, so that an exception can follow the rule it replaces. Source: IOOS
// QARTOD manuals, test 5.
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
