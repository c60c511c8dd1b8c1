package fold

import (
	"context"
	"fmt"
	"time"

	"rearguard/daemon/course"
	"rearguard/daemon/rearing/population"
)

// AddCohort enters a cohort.
type AddCohort struct {
	Cohort population.Cohort `json:"cohort"`
	Who    string            `json:"who"`
}

// Kind names the command in the journal.
func (AddCohort) Kind() string { return "add-cohort" }

func (c AddCohort) who() string { return c.Who }

func (c AddCohort) check(ctx context.Context, f *Fold, _ time.Time) (change, error) {
	entry, err := c.plausible(f)
	if err != nil {
		return nil, err
	}
	sp, ok := f.cohorts.Catalog.Species(entry.Species)
	if !ok {
		return nil, fmt.Errorf("there is no species %q; rearguard species lists them", entry.Species)
	}
	fresh, err := course.New(*entry, sp)
	if err != nil {
		return nil, err
	}
	if fresh, err = f.cohorts.redone(ctx, fresh); err != nil {
		return nil, err
	}
	return func() error {
		entered := &cohort{Course: fresh}
		f.cohorts.list = append(f.cohorts.list, entered)
		f.cohorts.used[fresh.Cohort.ID] = true
		return f.replace(entered, fresh)
	}, nil
}

// plausible is the cohort as it is to be entered.
func (c AddCohort) plausible(f *Fold) (*population.Cohort, error) {
	cohort := c.Cohort
	if err := cohort.Check(f.clock); err != nil {
		return nil, err
	}
	if f.cohorts.used[cohort.ID] {
		return nil, fmt.Errorf("there is or was a cohort %q already; give this one another name", cohort.ID)
	}
	for _, p := range cohort.Placements {
		if f.rooms.by[p.Room] == nil {
			return nil, fmt.Errorf("there is no room %q", p.Room)
		}
	}
	return &cohort, nil
}
