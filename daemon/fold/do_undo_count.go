package fold

import (
	"context"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/rearing/population"
)

// UndoCount takes a count back as if it had never been entered.
type UndoCount struct {
	Count population.CountID `json:"count"`
	Who   string             `json:"who"`
}

// Kind names the command in the journal.
func (UndoCount) Kind() string { return "undo-count" }

func (u UndoCount) who() string { return u.Who }

func (u UndoCount) check(ctx context.Context, f *Fold, _ time.Time) (change, error) {
	for _, c := range f.cohorts.list {
		i := slices.IndexFunc(c.Counts, func(n population.Count) bool { return n.ID == u.Count })
		if i < 0 {
			continue
		}
		if c.Counts[i].Undone {
			return nil, fmt.Errorf("count %d was taken back already", u.Count)
		}
		next := c.Changed()
		next.Counts[i].Undone = true
		next.RedoFrom(next.Counts[i].Time)
		next, err := f.cohorts.redone(ctx, next)
		if err != nil {
			return nil, err
		}
		return func() error {
			f.out.batch.Counts = append(f.out.batch.Counts, next.Counts[i])
			return f.replace(c, next)
		}, nil
	}
	return nil, fmt.Errorf("there is no count %d of a cohort in rearing", u.Count)
}
