// Package population follows a cohort as a population of animals: how they
// spread over the stages along the air they were in, and what a keeper's counts
// say about them.
package population

import (
	"time"

	"rearguard/daemon/rearing/species"
	"rearguard/sensors"
)

// CohortID names a cohort: eggs laid together and reared together.
type CohortID string

// Placement says that a cohort stands in Room from From on.
type Placement struct {
	Room sensors.RoomID `json:"room"`
	From time.Time      `json:"from"`
}

// Cohort is a group of animals of one species laid together, reared together,
// in one room at a time.
type Cohort struct {
	ID      CohortID   `json:"id"`
	Species species.ID `json:"species"`
	// Start is the time at which the cohort entered its first stage.
	Start time.Time `json:"start"`
	// StartStage is the stage the cohort was in at Start, usually "egg".
	StartStage species.StageID `json:"start_stage"`
	// Individuals is how many animals the cohort had at Start.
	Individuals int `json:"individuals"`
	// Placements are in order of time; the first is not after Start.
	Placements []Placement `json:"placements"`
	// Ended is when the keeper closed the cohort; zero while it is reared.
	Ended time.Time `json:"ended,omitzero"`
	Note  string    `json:"note,omitempty"`
}

// RoomAt returns the room in which the cohort stood at t, and false before
// its first placement or after its end.
func (c *Cohort) RoomAt(t time.Time) (sensors.RoomID, bool) {
	if !c.Ended.IsZero() && !t.Before(c.Ended) {
		return "", false
	}
	for i := len(c.Placements) - 1; i >= 0; i-- {
		if !t.Before(c.Placements[i].From) {
			return c.Placements[i].Room, true
		}
	}
	return "", false
}
