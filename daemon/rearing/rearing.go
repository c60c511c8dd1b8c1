// Package rearing holds what a keeper works with: species and their stages,
// cohorts, and the counts that say how many animals were seen in which stage.
package rearing

import (
	"time"

	"rearguard/sensors"
)

// SpeciesID names a species entry, for example "danaus-plexippus".
type SpeciesID string

// StageID names a stage of development: "egg", "larva-1" .. "larva-n",
// "prepupa", "pupa", "adult".
type StageID string

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
	ID      CohortID  `json:"id"`
	Species SpeciesID `json:"species"`
	// Start is the time at which the cohort entered its first stage.
	Start time.Time `json:"start"`
	// StartStage is the stage the cohort was in at Start, usually "egg".
	StartStage StageID `json:"start_stage"`
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

// CountID numbers counts of one facility in order of entry, from 1.
type CountID int64

// Count is what a keeper saw: "40 of 52 in larva-4 at 09:10".
type Count struct {
	ID     CountID   `json:"id"`
	Cohort CohortID  `json:"cohort"`
	Time   time.Time `json:"time"`
	Stage  StageID   `json:"stage"`
	// Seen is how many were in Stage, or beyond it if OrBeyond is set.
	Seen int `json:"seen"`
	// OrBeyond widens Stage to all later stages: "40 of 52 have pupated".
	OrBeyond bool `json:"or_beyond,omitempty"`
	// Of is how many living animals were looked at; 0 if it was not noted.
	Of int `json:"of,omitempty"`
	// Lost is how many were found dead or missing since the last count, by
	// Cause (free text of the keeper, for example "stuck skin").
	Lost  int    `json:"lost,omitempty"`
	Cause string `json:"cause,omitempty"`
	// LengthMM is the typical body length of the larvae in millimetres, 0 if
	// it was not measured.
	LengthMM float64 `json:"length_millimeters,omitempty"`
	By       string  `json:"by"`
	Note     string  `json:"note,omitempty"`
	// Undone is set when the keeper took the count back.
	Undone bool `json:"undone,omitempty"`
}
