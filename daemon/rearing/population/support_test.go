package population

import (
	"fmt"
	"iter"
	"slices"
	"testing"
	"time"

	"rearguard/daemon/rearing/species"
)

var t0 = time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)

func cohort(sp *species.Species, n int) *Cohort {
	return &Cohort{ID: "c1", Species: sp.ID, Start: t0, StartStage: sp.Stages[0].ID, Individuals: n}
}

func newProgress(t testing.TB, sp *species.Species) *Progress {
	t.Helper()
	p, err := NewProgress(sp, cohort(sp, 60))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func constant(from time.Time, d time.Duration, c float64) Segment {
	return Segment{From: from, To: from.Add(d), FromC: c, ToC: c}
}

// replay returns the state after the segments and counts from a start on,
// which is left as it is. Counts that were undone or lie before the start are
// left out; those after the last segment are taken in at its end. Segments
// must be in order of time; counts may be in any.
func replay(start *Progress, segments iter.Seq[Segment], counts []Count) (*Progress, error) {
	p := start.Clone()
	counts = slices.DeleteFunc(slices.Clone(counts), func(c Count) bool { return c.Undone || c.Time.Before(start.now) })
	slices.SortFunc(counts, CompareCounts)
	for seg := range segments {
		for len(counts) > 0 && counts[0].Time.Before(seg.To) {
			at := counts[0].Time
			if at.After(seg.From) {
				head := seg
				head.To, head.ToC = at, seg.cut(at).FromC
				if err := p.Advance(head); err != nil {
					return nil, err
				}
			}
			if err := p.Count(counts[0]); err != nil {
				return nil, fmt.Errorf("count %d: %w", counts[0].ID, err)
			}
			counts = counts[1:]
		}
		if err := p.Advance(seg); err != nil {
			return nil, err
		}
	}
	for _, c := range counts {
		if err := p.Count(c); err != nil {
			return nil, fmt.Errorf("count %d: %w", c.ID, err)
		}
	}
	return p, nil
}
