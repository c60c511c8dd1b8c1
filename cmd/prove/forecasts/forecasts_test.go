package forecasts

import (
	"testing"

	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/study"
)

// The whole chain, from the messages of sensors to the interval on a page,
// must hold what it says: 80 % of the animals within the 80 % interval, give
// or take five.
func TestForecastsOfTheFoldAreCalibrated(t *testing.T) {
	foldtest.WithoutRace(t)
	catalog := speciestest.Library(t)
	report, err := Simulate(t.Context(), catalog, 48, 2026)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]study.Reliability{"without counts": report.WithoutCounts, "with counts": report.WithCounts} {
		t.Logf("%d cohorts through the fold, %d events, %s: 80 %% interval holds %.1f %%, width %.2f d, bias %+.2f d, width against naive %.2f",
			report.Cohorts, c.Events, name, 100*c.Coverage, c.WidthDays, c.BiasDays, c.Sharpness)
		if c.Coverage < 0.75 || c.Coverage > 0.85 {
			t.Errorf("%s: the 80 %% interval holds %.1f %%", name, 100*c.Coverage)
		}
		if c.Events < 48 || c.Sharpness > 0.8 {
			t.Errorf("%s: %d events, width %.2f of the naive one", name, c.Events, c.Sharpness)
		}
	}
	t.Logf("80 %% interval holds %.1f %% of %d counts; %d called a conflict", 100*report.Counts.Coverage(), report.Counts.Counts, report.Counts.Conflicts)
	if c := report.Counts.Coverage(); c < 0.75 || c > 0.92 || report.Counts.Conflicts*20 > report.Counts.Counts {
		t.Errorf("%.1f %% of %d counts inside, %d conflicts", 100*c, report.Counts.Counts, report.Counts.Conflicts)
	}
	if report.WithCounts.WidthDays >= report.WithoutCounts.WidthDays {
		t.Error("counts do not narrow forecasts")
	}
}
