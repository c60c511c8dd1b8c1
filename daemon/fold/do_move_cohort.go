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
	if err := c.Cohort.CheckMove(m.Room, m.At); err != nil {
		return nil, err
	}
	from := c.Cohort.Placements[len(c.Cohort.Placements)-1].Room
	next := c.Changed()
	next.Cohort.Placements = append(next.Cohort.Placements, population.Placement{Room: m.Room, From: m.At})
	next.RedoFrom(m.At)
	if next, err = f.cohorts.redone(ctx, next); err != nil {
		return nil, err
	}
	return func() error {
		f.cohorts.moveInjury(m.Cohort, from, m.Room)
		return f.replace(c, next)
	}, nil
}
