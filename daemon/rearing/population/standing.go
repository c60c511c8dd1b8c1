package population

import (
	"math"
	"slices"
	"time"

	"rearguard/daemon/rearing/species"
)

// Time is the time up to which the cohort's air is accounted for.
func (p *Progress) Time() time.Time { return p.now }

// Species is the species the progress is computed with.
func (p *Progress) Species() *species.Species { return p.species }

// Typical is the animal that has exactly the species' constants.
type Typical struct {
	// Stage is its stage; Entered when it entered it.
	Stage   species.StageID
	Entered time.Time
	// StageProgress is the share of the stage's requirement passed, 0 to 1;
	// 1 for an adult without an end.
	StageProgress float64
	// DegreeDays is the thermal time since the start of the cohort, above
	// each stage's own threshold; Estimated the part over bridged gaps.
	DegreeDays, Estimated float64
}

// Typical returns the state of the typical animal.
func (p *Progress) Typical() Typical {
	t := &p.typical
	s := min(t.stage, len(p.species.Stages)-1)
	r := Typical{Stage: p.species.Stages[s].ID, Entered: t.entered[s], StageProgress: 1,
		DegreeDays: t.degreeDays, Estimated: t.estimated}
	if !p.species.Endless(t.stage) {
		k := p.species.Stages[s].Requirement
		r.StageProgress = min(1, max(0, 1-(t.target-p.sums[s])/k))
	}
	return r
}

// StageEntry says when the typical animal entered a stage.
type StageEntry struct {
	Stage species.StageID
	Time  time.Time
}

// Entries are the stages the typical animal has entered, in order.
func (p *Progress) Entries() []StageEntry {
	var es []StageEntry
	for s, t := range p.typical.entered {
		if !t.IsZero() {
			es = append(es, StageEntry{p.species.Stages[s].ID, t})
		}
	}
	return es
}

// Share is the part of a cohort in one stage.
type Share struct {
	Stage species.StageID
	Name  string
	// Share is 0 to 1; Number is Share of the living animals.
	Share, Number float64
}

// Shares is the distribution of the living animals over the stages, in stage
// order, stages without animals included. Shares add up to 1 unless adults
// have passed the end of their life.
func (p *Progress) Shares() []Share {
	shares := p.shares()
	out := make([]Share, len(p.species.Stages))
	for s := range out {
		st := &p.species.Stages[s]
		out[s] = Share{st.ID, st.Name, shares[s], shares[s] * float64(p.alive)}
	}
	return out
}

// shares is the share of the population in each stage, and past the last.
func (p *Progress) shares() []float64 {
	shares := make([]float64, len(p.species.Stages)+1)
	for i, s := range p.stage {
		shares[s] += p.Share(i)
	}
	return shares
}

// Main is the stage that most animals are believed to be in after all counts,
// and how much of it the mean of them has passed, 0 to 1; 1 for adults without
// an end.
func (p *Progress) Main() (stage species.StageID, progress float64) {
	shares := p.shares()[:len(p.species.Stages)]
	at := 0
	for s, share := range shares {
		if share > shares[at] {
			at = s
		}
	}
	stage = p.species.Stages[at].ID
	if p.species.Endless(at) || shares[at] == 0 {
		return stage, 1
	}
	for i, s := range p.stage {
		if int(s) == at {
			progress += p.Share(i) * (1 - p.Left(i)/p.Requirement(i, at))
		}
	}
	return stage, math.Min(1, math.Max(0, progress/shares[at]))
}

// Alive is the number of living animals as far as counts tell.
func (p *Progress) Alive() int { return p.alive }

// RateFactor is how fast the cohort is against its species, 1 being as the
// constants say: mean and standard deviation of what is believed.
func (p *Progress) RateFactor() (mean, sd float64) {
	for h, b := range p.belief {
		mean += b * p.rate[h]
	}
	variance := 0.0
	for h, b := range p.belief {
		variance += b * (p.rate[h] - mean) * (p.rate[h] - mean)
	}
	return mean, math.Sqrt(variance)
}

// Verdicts are those of all counts taken in, in order of time.
func (p *Progress) Verdicts() []Verdict { return slices.Clone(p.verdicts) }

// Losses are all losses booked, in order of time.
func (p *Progress) Losses() []Loss { return slices.Clone(p.losses) }
