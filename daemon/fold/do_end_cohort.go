package fold

import (
	"context"
	"fmt"
	"time"

	"rearguard/daemon/rearing/population"
)

// EndCohort closes a cohort at At.
type EndCohort struct {
	Cohort population.CohortID `json:"cohort"`
	At     time.Time           `json:"at"`
	Who    string              `json:"who"`
}

// Kind names the command in the journal.
func (EndCohort) Kind() string { return "end-cohort" }

func (e EndCohort) who() string { return e.Who }

func (e EndCohort) check(ctx context.Context, f *Fold, _ time.Time) (change, error) {
	c, err := f.cohorts.find(e.Cohort)
	if err != nil {
		return nil, err
	}
	if !e.At.After(c.Cohort.Start) {
		return nil, fmt.Errorf("cohort %s cannot end before it started (%s)", e.Cohort, stamp(c.Cohort.Start))
	}
	if err := f.cohorts.ahead("end", e.At); err != nil {
		return nil, err
	}
	next := c.Changed()
	next.Cohort.Ended = e.At
	next.RedoFrom(e.At)
	if next, err = f.cohorts.redone(ctx, next); err != nil {
		return nil, err
	}
	return func() error {
		c.follow(next)
		f.out.batch.Cohorts = append(f.out.batch.Cohorts, next.Cohort)
		if lesson := next.Lesson(); len(lesson) > 0 {
			l := f.cohorts.Learning.Changed()
			l.Observations = append(l.Observations, lesson...)
			if err := f.cohorts.keepLearning(l); err != nil {
				return err
			}
		}
		f.cohorts.remove(c)
		return f.refreshLimits(f.clock)
	}, nil
}
