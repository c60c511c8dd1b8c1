package study

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/rearing/species"
)

// Learning is what finished cohorts have taught and what people made of it.
type Learning struct {
	Observations []Observation `json:"observations"`
	// Decisions are in the order in which they were made; the newest about a
	// key is in force.
	Decisions []Decision `json:"decisions"`
}

// Decision is what a person made of the observations of one key.
type Decision struct {
	Key
	Adopted bool `json:"adopted"`
	// Fit, Stages and RateSpread are what was adopted.
	Fit        string                   `json:"fit,omitempty"`
	Stages     []species.StageConstants `json:"stages,omitempty"`
	RateSpread float64                  `json:"rate_spread_ratio,omitempty"`
	// Observations is how many there were.
	Observations int       `json:"observations"`
	Who          string    `json:"who"`
	At           time.Time `json:"at"`
}

// Decided returns the newest decision about a key, nil if there is none.
func (l *Learning) Decided(key Key) *Decision {
	for i := range slices.Backward(l.Decisions) {
		if l.Decisions[i].Key == key {
			return &l.Decisions[i]
		}
	}
	return nil
}

// Apply lays the adopted constants over the starting species. Constants that
// the facility's own entries state stay, and so does a species whose adopted
// constants no longer fit its entry; why is said.
func (l *Learning) Apply(starting *species.Catalog) (*species.Catalog, error) {
	catalog := starting
	var problems error
	for i := range l.Decisions {
		d := &l.Decisions[i]
		if !d.Adopted || l.Decided(d.Key) != d {
			continue
		}
		stages := slices.DeleteFunc(slices.Clone(d.Stages), func(c species.StageConstants) bool {
			return starting.Stated(d.Species, c.Stage)
		})
		if _, known := starting.Species(d.Species); !known || len(stages) == 0 {
			continue
		}
		next, err := catalog.With([]species.Entry{species.Adopted(d.Species, stages, d.RateSpread)})
		if err != nil {
			problems = errors.Join(problems, fmt.Errorf("adopted constants of %s: %w", d.Species, err))
			continue
		}
		catalog = next
	}
	return catalog, problems
}

// Changed returns a copy to change: snapshots share what there is.
func (l *Learning) Changed() *Learning {
	return &Learning{Observations: slices.Clip(l.Observations), Decisions: slices.Clip(l.Decisions)}
}
