package population

import (
	"cmp"
	"slices"
	"time"

	"rearguard/daemon/rearing/species"
)

// Loss is a number of animals found dead or missing.
type Loss struct {
	Time   time.Time       `json:"time"`
	Stage  species.StageID `json:"stage"`
	Cause  string          `json:"cause"`
	Number int             `json:"number"`
}

// LossSum is how many animals were lost in one stage to one cause.
type LossSum struct {
	Stage  species.StageID `json:"stage"`
	Cause  string          `json:"cause"`
	Number int             `json:"number"`
}

// SumLosses adds losses up by stage and cause, in order of stage.
func SumLosses(losses []Loss) []LossSum {
	var sums []LossSum
	for _, l := range losses {
		i := slices.IndexFunc(sums, func(s LossSum) bool { return s.Stage == l.Stage && s.Cause == l.Cause })
		if i < 0 {
			i = len(sums)
			sums = append(sums, LossSum{Stage: l.Stage, Cause: l.Cause})
		}
		sums[i].Number += l.Number
	}
	slices.SortStableFunc(sums, func(a, b LossSum) int {
		return cmp.Or(species.CompareStages(a.Stage, b.Stage), cmp.Compare(a.Cause, b.Cause))
	})
	return sums
}
