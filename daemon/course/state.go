package course

import (
	"fmt"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/roomair"
)

// State is what must outlive a restart.
type State struct {
	Cohort   population.Cohort  `json:"cohort"`
	Counts   []population.Count `json:"counts,omitempty"`
	Progress []byte             `json:"progress"`
	EndC     float64            `json:"end_c"`
	HasAir   bool               `json:"has_air,omitempty"`
	Counted  int                `json:"counted"`
	Air      AirSum             `json:"air"`
	Waiting  []roomair.Segment  `json:"waiting,omitempty"`
	Redo     time.Time          `json:"redo,omitzero"`
	Rewound  *Rewound           `json:"rewound,omitempty"`
}

// State returns what must outlive a restart.
func (c *Course) State() (State, error) {
	body, err := c.base.MarshalBinary()
	if err != nil {
		return State{}, fmt.Errorf("cohort %s: %w", c.Cohort.ID, err)
	}
	return State{
		Cohort: c.Cohort, Counts: c.Counts, Progress: body, EndC: c.base.endC, HasAir: c.base.hasAir,
		Counted: c.base.counted, Air: c.base.air, Waiting: c.waiting, Redo: c.redo, Rewound: c.rewound,
	}, nil
}

// Restore returns the course of a cohort as its state has it. Progress that no
// longer fits, because the species' constants were changed, is to be gone
// through again from its start: stale says why.
func Restore(st State, sp *species.Species) (c *Course, stale, err error) {
	c, err = New(st.Cohort, sp)
	if err != nil {
		return nil, nil, err
	}
	c.Counts, c.rewound = st.Counts, st.Rewound
	p, stale := population.RestoreProgress(sp, &c.Cohort, st.Progress)
	if stale != nil {
		return c, stale, nil
	}
	c.base = position{Progress: p, endC: st.EndC, hasAir: st.HasAir, counted: st.Counted, air: st.Air}
	c.waiting, c.redo = st.Waiting, st.Redo
	return c, nil, nil
}
