package demo

import (
	"context"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/fold"
	"rearguard/daemon/rehearsal"
)

// enterCohorts enters the invented cohorts: those that were done before the
// story with their counts, and those it is about.
func enterCohorts(ctx context.Context, engine *daemon.Engine, begin time.Time) error {
	var commands []fold.Command
	for _, f := range rehearsal.FinishedCohorts(begin) {
		commands = append(commands, fold.AddCohort{Cohort: f.Cohort, Who: "demo"})
		for _, count := range f.Counts {
			commands = append(commands, fold.RecordCount{Count: count})
		}
		commands = append(commands, fold.EndCohort{Cohort: f.Cohort.ID, At: f.Ended, Who: "demo"})
	}
	for _, cohort := range rehearsal.Cohorts(begin) {
		commands = append(commands, fold.AddCohort{Cohort: cohort, Who: "demo"})
	}
	for _, c := range commands {
		if err := engine.Do(ctx, c); err != nil {
			return err
		}
	}
	return nil
}

// answer has somebody go to what has called for long enough. It
// returns the answers that are still to come.
func (d *showing) answer(ctx context.Context, engine *daemon.Engine, answers []rehearsal.Answer) ([]rehearsal.Answer, error) {
	s := engine.Snapshot()
	for n, a := range answers {
		key, due := a.Due(s, d.house.Now())
		if !due {
			continue
		}
		d.say(d.house.Now(), "%s answers: %s", a.Who, a.Tell)
		rest := slices.Delete(slices.Clone(answers), n, n+1)
		return rest, engine.Do(ctx, fold.Order{Verb: alerts.Going, Key: key, Who: a.Who, Incident: true})
	}
	return answers, nil
}

// enterRound enters what the invented keeper counted, or takes the newest
// count of the cohort back.
func enterRound(ctx context.Context, engine *daemon.Engine, r rehearsal.Round) error {
	s := engine.Snapshot()
	if !r.Undo {
		r.Count.Time = s.Time
		return engine.Do(ctx, fold.RecordCount{Count: r.Count})
	}
	for _, c := range s.Cohorts {
		if c.ID == r.Count.Cohort && len(c.Counts) > 0 {
			return engine.Do(ctx, fold.UndoCount{Count: c.Counts[0].ID, Who: r.Count.By})
		}
	}
	return nil
}
