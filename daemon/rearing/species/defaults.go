package species

import (
	"fmt"
	"time"
)

// Spreads of the rate of whole cohorts when an entry states none: common
// practice, no published source. Assumed constants are trusted less.
const (
	publishedRateSpread = 0.05
	assumedRateSpread   = 0.10
	// Spread of requirement within a cohort when an entry states none. About
	// 8 % is the same-shape spread of Wagner et al. 1984 (from memory).
	publishedSpread = 0.08
	assumedSpread   = 0.12
)

// Times that drying and damp may last when an entry states none: common
// practice, no published source.
const (
	defaultDryingAfter = 2 * time.Hour
	defaultDampAfter   = 12 * time.Hour
)

// defaultWindows are the delicate hours of each kind of stage. The lengths
// are common practice, no published source; verify on site.
func defaultWindows(id StageID) []Window {
	w := func(event EventName, before, after time.Duration, factor float64) Window {
		return Window{Event: event, Before: before, After: after, DryingFactor: factor,
			HeatMarginC: 1, Source: CommonPractice, Assumed: true}
	}
	switch event := EventInto(id); event {
	case EventHatching:
		return []Window{w(event, 12*time.Hour, 6*time.Hour, 0.75)}
	case EventMoult:
		return []Window{w(event, 24*time.Hour, 4*time.Hour, 0.75)}
	case EventPrepupa:
		return []Window{w(event, 0, 24*time.Hour, 0.75)}
	case EventPupation:
		// Shedding the last larval skin takes about an hour; the new pupa is
		// soft for the rest of the day.
		return []Window{w(event, 2*time.Hour, 12*time.Hour, 0.7)}
	case EventEclosion:
		// Emergence takes minutes, hardening of the wings several hours.
		return []Window{w(event, 6*time.Hour, 15*time.Minute, 0.7),
			w(EventWingHardening, 0, 6*time.Hour, 0.6)}
	}
	return nil
}

func defaultStageName(id StageID) string {
	var n int
	if _, err := fmt.Sscanf(string(id), "larva-%d", &n); err == nil {
		return fmt.Sprintf("instar %d", n)
	}
	return string(id)
}
