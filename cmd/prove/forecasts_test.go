package main

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rearguard/cmd/prove/forecasts"
	"rearguard/daemon/study"
)

// The words around invented figures; a whole run is in the scripts.
func TestForecastsForPeople(t *testing.T) {
	report := forecastsReport{
		Worlds: []*forecasts.World{{
			Name: "as the library says", Cohorts: 4, WidthRatio: 0.75,
			WithoutCounts: study.Reliability{Score: study.Score{Outcomes: 40}, Coverage: 0.8, WidthDays: 2, Sharpness: 0.5, BiasDays: -0.25},
			WithCounts:    study.Reliability{Score: study.Score{Outcomes: 40}, Coverage: 0.825, WidthDays: 1.5, Sharpness: 0.375, BiasDays: 0.1},
			Counts:        forecasts.Counts{Counts: 20, Inside: 17, Conflicts: 1},
		}},
		Replayed: &forecasts.Counts{Counts: 10, Inside: 9},
	}
	var got strings.Builder
	report.print(&got)
	want := `as the library says: 4 simulated cohorts through the engine
without counts: the 80 % interval holds 80.0 % of 40 outcomes; 2.00 days wide, 0.50 of what the species' mean days need; bias of the median -0.25 days
with counts: the 80 % interval holds 82.5 % of 40 outcomes; 1.50 days wide, 0.38 of what the species' mean days need; bias of the median +0.10 days
counts narrow the interval to 0.75 of its width
their counts: 85.0 % of 20 counts fell into their 80 % interval, 1 were called a conflict
replayed records: 90.0 % of 10 counts fell into their 80 % interval, 0 were called a conflict
`
	if d := cmp.Diff(want, got.String()); d != "" {
		t.Error(d)
	}
}
