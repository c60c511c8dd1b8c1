package course

import (
	"time"

	"rearguard/daemon/development"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
)

// Bendings compares, for the stages that cohorts are in, thermal time along the
// recorded curve of their room with thermal time at daily means (Kaufmann
// effect).
func Bendings(cohorts []*Course, curve []development.Point, zone *time.Location) []snapshot.BendingError {
	var found []snapshot.BendingError
	seen := map[*species.Stage]bool{}
	for _, c := range cohorts {
		if c.live == nil {
			continue
		}
		stage, _ := c.MainStage()
		i, _ := c.Species.StageIndex(stage)
		st := &c.Species.Stages[i]
		if st.Rate == nil || seen[st] {
			continue
		}
		seen[st] = true
		if b, ok := snapshot.Bending(c.Species, st, curve, zone); ok {
			found = append(found, b)
		}
	}
	return found
}
