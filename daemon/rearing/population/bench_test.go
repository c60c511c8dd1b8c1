package population

import (
	"testing"
	"time"

	"rearguard/daemon/rearing/species/speciestest"
)

func BenchmarkAdvanceHalfMinutes(b *testing.B) {
	sp := speciestest.Named(b, "morpho-peleides")
	p := newProgress(b, sp)
	for b.Loop() {
		_ = p.Advance(Segment{From: p.now, To: p.now.Add(30 * time.Second), FromC: 20, ToC: 20.1})
		if p.now.Sub(t0) > 300*24*time.Hour {
			p = newProgress(b, sp)
		}
	}
}

func BenchmarkYearOfHalfMinutes(b *testing.B) {
	sp := speciestest.Named(b, "morpho-peleides")
	for b.Loop() {
		p := newProgress(b, sp)
		for range 365 * 2880 {
			_ = p.Advance(Segment{From: p.now, To: p.now.Add(30 * time.Second), FromC: 25, ToC: 25.1})
		}
	}
}

func BenchmarkCheckpoint(b *testing.B) {
	p := newProgress(b, speciestest.Named(b, "morpho-peleides"))
	_ = p.Advance(constant(t0, 10*24*time.Hour, 25))
	for b.Loop() {
		data, _ := p.MarshalBinary()
		b.SetBytes(int64(len(data)))
	}
}
