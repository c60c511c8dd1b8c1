package daemon

import (
	"math"
	"testing"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
)

// Undoing a count restores the state to the last bit, also when it was
// backdated and others came after it, and after a restart in between.
func TestUndoRestoresExactly(t *testing.T) {
	foldtest.WithoutRace(t)
	r := newRig(t)
	r.monarchs(testStart)
	at := testStart
	for m := range 5 * 24 * 12 {
		at = testStart.Add(time.Duration(m) * 5 * time.Minute)
		r.air(at, 26+math.Sin(float64(m)/50), 70)
		r.ticks <- timekeeping.Right(at.Add(10 * time.Second))
	}
	count := func(at time.Time, stage species.StageID, seen, of int) {
		t.Helper()
		r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-1", Time: at, Stage: stage, Seen: seen, Of: of, Lost: 1, Cause: "dried", By: "keeper"}})
	}
	see := func() snapshot.Cohort { return r.tick(at.Add(30 * time.Second)).Cohorts[0] }

	bare := see()
	count(at.Add(-10*time.Hour), "larva-1", 70, 90)
	one := see()
	if bare.Progress.Equal(one.Progress) || len(one.Verdicts) != 1 || one.Individuals != 99 || len(one.Losses) != 1 || one.Losses[0].Number != 1 {
		t.Fatalf("the count changed nothing, or %+v", one)
	}
	if stage, _ := one.Progress.Main(); one.Stage != stage {
		t.Errorf("stage %s, counts say %s", one.Stage, stage)
	}
	// Three days earlier than the one before.
	count(at.Add(-80*time.Hour), "egg", 95, 97)
	two := see()
	if len(two.Verdicts) != 2 || !two.Verdicts[0].Time.Before(two.Verdicts[1].Time) || two.Progress.Equal(one.Progress) {
		t.Errorf("verdicts after a backdated count %+v", two.Verdicts)
	}
	r.stop()
	r.start(at.Add(time.Minute))
	at = at.Add(time.Minute)
	if again := see(); !two.Progress.Equal(again.Progress) {
		t.Error("a restart changed the progress")
	}
	r.do(fold.UndoCount{Count: 2, Who: "keeper"})
	if back := see(); !one.Progress.Equal(back.Progress) || !back.Counts[1].Undone {
		t.Error("undoing the backdated count does not restore the state")
	}
	r.do(fold.UndoCount{Count: 1, Who: "keeper"})
	if back := see(); !bare.Progress.Equal(back.Progress) || len(back.Verdicts) != 0 || back.Individuals != 100 {
		t.Error("undoing both counts does not restore the state")
	}
}

// A count that nothing explains is told as a conflict and kept.
func TestConflictingCountIsFlagged(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	at := testStart
	for m := range 24 * 12 {
		at = testStart.Add(time.Duration(m) * 5 * time.Minute)
		r.air(at, 26+math.Sin(float64(m)/50), 70)
		r.ticks <- timekeeping.Right(at.Add(10 * time.Second))
	}
	r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-1", Time: at, Stage: "larva-4", Seen: 50, Of: 50, By: "keeper"}})
	c := r.tick(at.Add(30 * time.Second)).Cohorts[0]
	if len(c.Verdicts) != 1 || !c.Verdicts[0].Conflict || len(c.Counts) != 1 {
		t.Errorf("fourth instar after one day: %+v", c.Verdicts)
	}
	total := 0.0
	for _, d := range c.Daily {
		if d.Low > d.Expected || d.High < d.Expected || d.Day.Before(at.Add(-24*time.Hour)) || d.Day.After(at.Add(9*24*time.Hour)) {
			t.Errorf("numbers of a day %+v", d)
		}
		total += d.Expected
	}
	if total < 1 {
		t.Error("nothing is expected within eight days")
	}
}
