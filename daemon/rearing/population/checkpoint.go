package population

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"rearguard/daemon/rearing/species"
)

// Errors of RestoreProgress. On either the cohort's progress must be computed
// anew from history.
var (
	// errSpeciesChanged is returned for a checkpoint made with other
	// constants of the species.
	errSpeciesChanged = errors.New("checkpoint was made with other constants of the species")
	// errCheckpoint is returned for a checkpoint that is damaged.
	errCheckpoint = errors.New("checkpoint is damaged")
)

// checkpointVersion is raised when the meaning of a checkpoint changes.
const checkpointVersion = 1

// MarshalBinary returns the complete state, to be given to RestoreProgress
// together with the same species and cohort.
func (p *Progress) MarshalBinary() ([]byte, error) {
	w := &writer{}
	w.u8(checkpointVersion)
	w.u32(p.species.Fingerprint())
	w.u16(uint16(p.size.Individuals))
	w.u16(uint16(p.size.Rates))
	w.u16(uint16(p.first))
	w.i64(int64(p.alive))
	w.time(p.start)
	w.time(p.now)
	w.i64(int64(p.missing))
	w.u16(uint16(p.typical.stage))
	w.f64(p.typical.target)
	w.f64(p.typical.degreeDays)
	w.f64(p.typical.estimated)
	for s := range p.sums {
		w.f64(p.sums[s])
		w.f64(p.passed[s])
		w.time(p.typical.entered[s])
		for _, m := range p.marks[s] {
			w.time(m)
		}
	}
	for i := range p.stage {
		w.u8(p.stage[i])
		// An animal that stays for good has no target to keep.
		if !p.species.Endless(int(p.stage[i])) {
			w.f64(p.target[i])
		}
	}
	for _, b := range p.belief {
		w.f64(b)
	}
	if p.weight == nil {
		w.u8(0)
	} else {
		w.u8(1)
		for _, x := range p.weight {
			w.f64(x)
		}
	}
	said, err := json.Marshal(told{p.verdicts, p.losses})
	if err != nil {
		return nil, fmt.Errorf("checkpoint: %w", err)
	}
	w.u32(uint32(len(said)))
	w.Write(said)
	w.u32(crc32.ChecksumIEEE(w.Bytes()))
	return w.Bytes(), nil
}

// RestoreProgress is the inverse of MarshalBinary.
func RestoreProgress(sp *species.Species, c *Cohort, data []byte) (*Progress, error) {
	if len(data) < 4 || crc32.ChecksumIEEE(data[:len(data)-4]) != binary.LittleEndian.Uint32(data[len(data)-4:]) {
		return nil, errCheckpoint
	}
	r := &scanner{data: data[:len(data)-4]}
	if v := r.u8(); v != checkpointVersion {
		return nil, fmt.Errorf("%w: version %d", errCheckpoint, v)
	}
	if r.u32() != sp.Fingerprint() {
		return nil, errSpeciesChanged
	}
	size := Size{Individuals: int(r.u16()), Rates: int(r.u16())}
	first := int(r.u16())
	p, err := NewProgressOfSize(sp, c, size)
	if err != nil {
		return nil, err
	}
	alive := int(r.i64())
	if start := r.time(); first != p.first || !start.Equal(p.start) {
		return nil, fmt.Errorf("%w: it belongs to another start of the cohort", errCheckpoint)
	}
	p.alive = alive
	p.now = r.time()
	p.missing = time.Duration(r.i64())
	p.typical.stage = int(r.u16())
	p.typical.target = r.f64()
	p.typical.degreeDays = r.f64()
	p.typical.estimated = r.f64()
	for s := range p.sums {
		p.sums[s] = r.f64()
		p.passed[s] = r.f64()
		p.typical.entered[s] = r.time()
		for k := range p.marks[s] {
			p.marks[s][k] = r.time()
		}
	}
	for s := range p.inStage {
		p.inStage[s], p.next[s] = 0, math.Inf(1)
	}
	for i := range p.stage {
		s := int(r.u8())
		if s >= len(p.inStage) {
			return nil, errCheckpoint
		}
		p.stage[i] = uint8(s)
		p.target[i] = math.Inf(1)
		if !p.species.Endless(s) {
			p.target[i] = r.f64()
		}
		p.inStage[s]++
		p.next[s] = math.Min(p.next[s], p.target[i])
	}
	for h := range p.belief {
		p.belief[h] = r.f64()
	}
	if r.u8() == 1 {
		p.weight = make([]float64, len(p.stage))
		for i := range p.weight {
			p.weight[i] = r.f64()
		}
	}
	var said told
	if err := json.Unmarshal(r.take(int(r.u32())), &said); err != nil {
		return nil, errCheckpoint
	}
	p.verdicts, p.losses = said.Verdicts, said.Losses
	if r.short || len(r.data) != 0 || p.typical.stage > len(p.sums) {
		return nil, errCheckpoint
	}
	return p, nil
}

// Equal reports whether p and o are the same state to the last bit.
func (p *Progress) Equal(o *Progress) bool {
	if p == nil || o == nil {
		return p == o
	}
	a, errA := p.MarshalBinary()
	b, errB := o.MarshalBinary()
	return errA == nil && errB == nil && bytes.Equal(a, b)
}

// Clone returns an independent copy.
func (p *Progress) Clone() *Progress {
	c := *p
	c.sums = append([]float64(nil), p.sums...)
	c.stage = append([]uint8(nil), p.stage...)
	c.target = append([]float64(nil), p.target...)
	if p.weight != nil {
		c.weight = append([]float64(nil), p.weight...)
	}
	c.rate = append([]float64(nil), p.rate...)
	c.belief = append([]float64(nil), p.belief...)
	c.inStage = append([]int(nil), p.inStage...)
	c.next = append([]float64(nil), p.next...)
	c.passed = append([]float64(nil), p.passed...)
	c.marks = append([][3]time.Time(nil), p.marks...)
	c.verdicts = append([]Verdict(nil), p.verdicts...)
	c.losses = append([]Loss(nil), p.losses...)
	c.typical.entered = append([]time.Time(nil), p.typical.entered...)
	return &c
}

// told is what counts left behind beside the population.
type told struct {
	Verdicts []Verdict
	Losses   []Loss
}
