package fold

import (
	"context"
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/course"
	"rearguard/daemon/outlook"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/species"
)

// redone is a changed course gone through again up to now, before anything is
// changed by it.
func (cs *cohorts) redone(ctx context.Context, c *course.Course) (*course.Course, error) {
	if err := c.Redo(cs.rooms.pastOf(ctx), cs.rooms.track, cs.rooms.settled); err != nil {
		var e past.Unreadable
		if errors.As(err, &e) {
			return nil, fmt.Errorf("%w: %w", errUnread, e.Err)
		}
		return nil, err
	}
	err := c.GoLive(cs.rooms.track)
	return c, err
}

// replace puts a changed course in the place of a cohort's, stores it, and
// brings forecasts and limits up to date at once.
func (f *Fold) replace(c *cohort, next *course.Course) error {
	c.follow(next)
	f.out.batch.Cohorts = append(f.out.batch.Cohorts, next.Cohort)
	return f.refreshLimits(f.clock)
}

// follow makes a cohort go by another course, of which nothing is forecast yet.
func (c *cohort) follow(next *course.Course) { c.Course, c.forecast = next, outlook.Cohort{} }

// ahead says that a time lies in the future, beyond what clocks differ by.
func (cs *cohorts) ahead(what string, t time.Time) error {
	if t.After(cs.clock.Add(cs.facility.Ingest.FutureTolerance)) {
		return fmt.Errorf("the %s is in the future (%s)", what, stamp(t))
	}
	return nil
}

// ofSpecies are the cohorts of a species being reared, in a fresh course by
// other constants each.
func (cs *cohorts) ofSpecies(ctx context.Context, sp *species.Species) (map[*cohort]*course.Course, error) {
	next := make(map[*cohort]*course.Course)
	for _, c := range cs.list {
		if c.Cohort.Species != sp.ID || c.Species == cs.Lost[sp.ID] {
			continue
		}
		fresh, err := course.New(c.Cohort, sp)
		if err != nil {
			return nil, err
		}
		fresh.Counts = c.Counts
		if next[c], err = cs.redone(ctx, fresh); err != nil {
			return nil, err
		}
	}
	return next, nil
}
