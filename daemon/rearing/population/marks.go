package population

import (
	"cmp"
	"slices"
	"time"
)

// passage is one animal's passing at fraction x of a segment.
type passage struct{ x, share float64 }

// MarkShares are the shares of a cohort whose passing is remembered.
func MarkShares() [3]float64 { return [3]float64{0.1, 0.5, 0.9} }

// mark adds passages into stage s and notes when the remembered shares of the
// cohort had passed.
func (p *Progress) mark(s int, seg Segment, moved []passage) {
	slices.SortFunc(moved, func(a, b passage) int { return cmp.Compare(a.x, b.x) })
	for _, m := range moved {
		p.passed[s] += m.share
		for k, share := range MarkShares() {
			if p.marks[s][k].IsZero() && p.passed[s] >= share-1e-9 {
				p.marks[s][k] = seg.From.Add(time.Duration(m.x * float64(seg.To.Sub(seg.From))))
			}
		}
	}
}
