// Package forecasts measures how well forecasts hold: of simulated cohorts,
// whose truth is known, and of recorded counts.
package forecasts

import (
	"context"
	"time"

	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/study"
)

// World says how well forecasts hold in one simulated world. Each cohort is in
// it twice over: once nobody counts it, once it is counted every few days.
type World struct {
	// Name says how the world differs from what the engine believes.
	Name    string `json:"name"`
	Cohorts int    `json:"cohorts"`
	// The coverages are the shares of animals whose event fell into the 80 %
	// interval, 0 to 1.
	CoverageWithoutCounts float64 `json:"coverage_without_counts"`
	CoverageWithCounts    float64 `json:"coverage_with_counts"`
	// WidthRatio is the mean width of the intervals with counts by that
	// without; below 1 counts narrow forecasts.
	WidthRatio    float64           `json:"width_ratio"`
	WithoutCounts study.Reliability `json:"without_counts"`
	WithCounts    study.Reliability `json:"with_counts"`
	// Counts says how the counts agreed with what was expected of them.
	Counts Counts `json:"counts"`
}

// Counts says how counts agreed with what was expected of each before it.
type Counts struct {
	Counts int `json:"counts"`
	// Inside fell into their 80 % interval; Conflicts were called so.
	Inside    int `json:"inside"`
	Conflicts int `json:"conflicts"`
}

// Coverage is the share of the counts inside their 80 % interval, 0 without
// any.
func (c Counts) Coverage() float64 { return float64(c.Inside) / float64(max(1, c.Counts)) }

func (c *Counts) take(verdicts []population.Verdict) {
	for _, v := range verdicts {
		c.Counts++
		if v.Seen >= v.Low && v.Seen <= v.High {
			c.Inside++
		}
		if v.Conflict {
			c.Conflicts++
		}
	}
}

// recordedForecasts is how often a replay forecasts: verdicts on counts do not
// depend on forecasts, which cost the most time.
const recordedForecasts = 24 * time.Hour

// Recorded replays recorded history and says how the counts of every cohort in
// it, finished or not, agreed with what was expected of each before it.
func Recorded(ctx context.Context, opts lookback.ReplayOptions) (Counts, error) {
	var counts Counts
	opts.ForecastEvery = recordedForecasts
	replayed, err := lookback.Replay(ctx, opts)
	if err != nil {
		return counts, err
	}
	for _, p := range replayed.Progress {
		counts.take(p.Verdicts())
	}
	return counts, nil
}
