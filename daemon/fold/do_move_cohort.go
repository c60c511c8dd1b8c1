package fold

import (
	"context"
	"fmt"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

// MoveCohort moves a cohort to another room from At on.
type MoveCohort struct {
	Cohort population.CohortID `json:"cohort"`
	Room   sensors.RoomID      `json:"room"`
	At     time.Time           `json:"at"`
	Who    string              `json:"who"`
}

// Kind names the command in the journal.
func (MoveCohort) Kind() string { return "move-cohort" }

func (m MoveCohort) who() string { return m.Who }

func (m MoveCohort) check(ctx context.Context, f *Fold, _ time.Time) (change, error) {
	c, err := f.cohorts.find(m.Cohort)
	if err != nil {
		return nil, err
	}
	if f.rooms.by[m.Room] == nil {
		return nil, fmt.Errorf("there is no room %q", m.Room)
	}
	if err := f.cohorts.ahead("move", m.At); err != nil {
		return nil, err
	}
	last := c.Cohort.Placements[len(c.Cohort.Placements)-1]
	switch {
	case !m.At.After(last.From):
		return nil, fmt.Errorf("cohort %s moved to %s at %s; a move before that cannot be entered", m.Cohort, last.Room, stamp(last.From))
	case last.Room == m.Room:
		return nil, fmt.Errorf("cohort %s is in %s already", m.Cohort, m.Room)
	}
	next := c.Changed()
	next.Cohort.Placements = append(next.Cohort.Placements, population.Placement{Room: m.Room, From: m.At})
	next.RedoFrom(m.At)
	if next, err = f.cohorts.redone(ctx, next); err != nil {
		return nil, err
	}
	return func() error {
		f.cohorts.moveInjury(m.Cohort, last.Room, m.Room)
		return f.replace(c, next)
	}, nil
}
