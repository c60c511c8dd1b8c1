package rehearsal

import (
	"slices"
	"testing"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
)

// Everything the invented keeper enters is about a cohort and a stage that
// there are, and in order of time.
func TestRoundsAreAboutWhatThereIs(t *testing.T) {
	library := speciestest.Library(t)
	begin := time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)
	cohorts := map[population.CohortID]population.Cohort{}
	for _, c := range Cohorts(begin) {
		cohorts[c.ID] = c
	}
	rounds := Rounds()
	if !slices.IsSortedFunc(rounds, func(a, b Round) int { return int(a.At - b.At) }) {
		t.Error("rounds are not in order of time")
	}
	losses, conflicts := 0, 0
	for _, r := range rounds {
		c, ok := cohorts[r.Count.Cohort]
		if !ok {
			t.Errorf("no cohort %q", r.Count.Cohort)
			continue
		}
		sp, _ := library.Species(c.Species)
		if _, ok := sp.StageIndex(r.Count.Stage); !ok && !r.Undo {
			t.Errorf("%s has no stage %q", sp.ID, r.Count.Stage)
		}
		losses += r.Count.Lost
		if r.Undo {
			conflicts++
		}
	}
	if losses == 0 || conflicts == 0 {
		t.Errorf("%d losses and %d counts taken back; the demo is to show both", losses, conflicts)
	}
	for _, f := range FinishedCohorts(begin) {
		if !f.Ended.Before(begin) || !f.Counts[0].Time.After(f.Cohort.Start) || !f.Counts[1].Time.Before(f.Ended) {
			t.Errorf("finished cohort %s ends %v, begin is %v", f.Cohort.ID, f.Ended, begin)
		}
	}
}
