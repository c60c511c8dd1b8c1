package fold

import (
	"context"
	"slices"
	"time"

	"rearguard/daemon/rearing/population"
)

// RecordCount enters a count. The fold assigns its ID.
type RecordCount struct {
	Count population.Count `json:"count"`
}

// Kind names the command in the journal.
func (RecordCount) Kind() string { return "record-count" }

func (r RecordCount) who() string { return r.Count.By }

func (r RecordCount) check(ctx context.Context, f *Fold, _ time.Time) (change, error) {
	count := r.Count
	c, err := f.cohorts.find(count.Cohort)
	if err != nil {
		return nil, err
	}
	if err := count.Check(&c.Cohort, c.Species); err != nil {
		return nil, err
	}
	if err := f.cohorts.ahead("count", count.Time); err != nil {
		return nil, err
	}
	count.ID = f.cohorts.lastCount + 1
	next := c.Changed()
	at, _ := slices.BinarySearchFunc(next.Counts, count, population.CompareCounts)
	next.Counts = slices.Insert(next.Counts, at, count)
	next.RedoFrom(count.Time)
	if next, err = f.cohorts.redone(ctx, next); err != nil {
		return nil, err
	}
	return func() error {
		f.cohorts.lastCount = count.ID
		f.out.batch.Counts = append(f.out.batch.Counts, count)
		return f.replace(c, next)
	}, nil
}
