package population

import (
	"time"

	"rearguard/daemon/rearing/internal/strata"
)

// What forecasts read of the representative animals. Animals are numbered from
// 0, hypothesis by hypothesis; stages are places in the species' Stages, and one
// past the last for adults whose life has ended.

// Animals is how many representative animals there are.
func (p *Progress) Animals() int { return len(p.stage) }

// Hypotheses is how many hypotheses about the cohort's rate there are.
func (p *Progress) Hypotheses() int { return p.size.Rates }

// Belief is how far hypothesis h is believed; beliefs add up to 1.
func (p *Progress) Belief(h int) float64 { return p.belief[h] }

// AnimalsOf are the animals of hypothesis h: from the first to before end.
func (p *Progress) AnimalsOf(h int) (first, end int) {
	return h * p.size.Individuals, (h + 1) * p.size.Individuals
}

// First is the stage in which the cohort started.
func (p *Progress) First() int { return p.first }

// StageOf is the stage of animal i.
func (p *Progress) StageOf(i int) int { return int(p.stage[i]) }

// Left is the physiological time that animal i needs until it passes its
// stage, in the unit of the stage's rate. The stage must have an end.
func (p *Progress) Left(i int) float64 { return p.target[i] - p.sums[p.stage[i]] }

// Requirement is what animal i needs for stage s as a whole, faster or slower
// as its hypothesis says. The factors of the animals are stratified quantiles,
// paired anew per stage.
func (p *Progress) Requirement(i, s int) float64 {
	h, k := i/p.size.Individuals, i%p.size.Individuals
	// Each hypothesis sits at another point inside the animals' strata, so
	// that the mixture of all is smoother than any of them.
	inside := strata.Count / p.size.Individuals
	stratum := strata.Pair(k, p.size.Individuals, uint64(h)<<8|uint64(s))*inside + strata.Pair(h, 128, uint64(s))*inside/128
	return p.species.RequirementOf(s, stratum) / p.rate[h]
}

// Share is the part of the whole population that animal i stands for.
func (p *Progress) Share(i int) float64 {
	b := p.belief[i/p.size.Individuals]
	if p.weight == nil {
		return b / float64(p.size.Individuals)
	}
	return b * p.weight[i]
}

// ShareWithin is the part of its hypothesis that animal i stands for.
func (p *Progress) ShareWithin(i int) float64 {
	if p.weight == nil {
		return 1 / float64(p.size.Individuals)
	}
	return p.weight[i]
}

// Mark is when the share of MarkShares numbered k of the cohort had entered
// stage s; the zero time while it has not.
func (p *Progress) Mark(s, k int) time.Time { return p.marks[s][k] }

// StragglersShare is the share of a cohort up to which a stage sets no limits:
// stragglers do not rule a room.
const StragglersShare = 0.05
