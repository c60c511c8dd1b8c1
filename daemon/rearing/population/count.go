package population

import (
	"cmp"
	"time"

	"rearguard/daemon/rearing/species"
)

// CountID numbers counts of one facility in order of entry, from 1.
type CountID int64

// Count is what a keeper saw: "40 of 52 in larva-4 at 09:10".
type Count struct {
	ID     CountID         `json:"id"`
	Cohort CohortID        `json:"cohort"`
	Time   time.Time       `json:"time"`
	Stage  species.StageID `json:"stage"`
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

// CompareCounts orders counts as they are to be applied: by time, and at the
// same time by what was seen, so that the order of entry does not matter.
func CompareCounts(a, b Count) int {
	return cmp.Or(a.Time.Compare(b.Time), species.CompareStages(a.Stage, b.Stage),
		cmp.Compare(a.Of, b.Of), cmp.Compare(a.Seen, b.Seen), cmp.Compare(a.Lost, b.Lost),
		cmp.Compare(a.Cause, b.Cause), cmp.Compare(a.LengthMM, b.LengthMM), cmp.Compare(a.ID, b.ID))
}
