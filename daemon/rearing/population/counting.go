package population

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// What is assumed of counts: common practice, no published source. The
// simulation study of forecasts shows that intervals hold with them.
const (
	// misread is the chance that an animal is put into the stage looked for
	// when it is not, or the other way round.
	misread = 0.03
	// concentration says how closely the share of a real cohort in a stage
	// follows the share computed for its rate: like a beta distribution that
	// has seen so many animals.
	concentration = 40
	// conflictChance is how improbable a count must be, given everything
	// known before it, to be called a conflict.
	conflictChance = 0.01
	// lengthDoubt is the standard deviation of the logarithm of a cohort's
	// typical body length: food and strain make it a weak witness.
	lengthDoubt = 0.25
	// consideredAtMost bounds the animals of one count that count.
	consideredAtMost = 400
)

// Errors of Count.
var (
	// errCountTime is returned for a count before the cohort's time: replay
	// from an earlier checkpoint takes it in.
	errCountTime = errors.New("count lies before the time reached")
	// errCountStage is returned for a stage the species has not.
	errCountStage = errors.New("species has no such stage")
	// errCountNumbers is returned for impossible numbers.
	errCountNumbers = errors.New("numbers of the count are impossible")
)

// Count corrects the progress by what a keeper saw at the time reached. The
// count is a sample with error from a population whose share in the stage is
// near the share computed for the cohort's rate (beta-binomial): belief moves
// to the rates that explain it, and within each rate the animals are weighted
// towards it. Losses are booked and lower the number alive.
func (p *Progress) Count(c Count) error {
	s, ok := p.species.StageIndex(c.Stage)
	switch {
	case !ok:
		return fmt.Errorf("%w: %q", errCountStage, c.Stage)
	case c.Seen < 0 || c.Of < 0 || c.Lost < 0 || c.Of > 0 && c.Seen > c.Of || !(c.LengthMM >= 0 && c.LengthMM < 1000):
		return fmt.Errorf("%w: %d seen of %d, %d lost, length %v mm", errCountNumbers, c.Seen, c.Of, c.Lost, c.LengthMM)
	case c.Time.Before(p.now):
		return fmt.Errorf("%w: %s is before %s", errCountTime, c.Time.Format(time.RFC3339), p.now.Format(time.RFC3339))
	}
	if c.Lost > 0 {
		p.losses = append(p.losses, Loss{c.Time, c.Stage, c.Cause, c.Lost})
		p.alive = max(0, p.alive-c.Lost)
	}
	// More animals than were thought alive: the keeper's eyes are right.
	p.alive = max(p.alive, c.Of, c.Seen)
	if c.Of > 0 || c.Seen > 0 {
		p.see(c, s)
	}
	if c.LengthMM > 0 {
		p.measure(c.LengthMM)
	}
	p.recount()
	return nil
}

// see takes in the numbers of a count.
func (p *Progress) see(c Count, s int) {
	in := func(at uint8) bool { return int(at) == s || c.OrBeyond && int(at) > s }
	of, seen := c.Of, c.Seen
	// Without the number looked at, the count says that at least Seen of the
	// living are there.
	atLeast := of == 0
	if atLeast {
		of = p.alive
	}
	if of > consideredAtMost {
		seen = int(math.Round(float64(seen) * consideredAtMost / float64(of)))
		of = consideredAtMost
	}
	n := p.size.Individuals
	shares := make([]float64, p.size.Rates)
	predictive := make([]float64, of+1)
	likelihood := make([]float64, p.size.Rates)
	for h := range shares {
		for i := h * n; i < (h+1)*n; i++ {
			if in(p.stage[i]) {
				shares[h] += p.ShareWithin(i)
			}
		}
		q := misread + (1-2*misread)*math.Min(1, shares[h])
		for k := range predictive {
			m := betaBinomial(k, of, q*concentration, (1-q)*concentration)
			predictive[k] += p.belief[h] * m
			if k == seen || atLeast && k > seen {
				likelihood[h] += m
			}
		}
	}
	v := verdictOf(predictive, seen, atLeast)
	v.Count, v.Time, v.Stage, v.Seen, v.Of = c.ID, c.Time, c.Stage, c.Seen, c.Of
	if c.Of > consideredAtMost {
		scale := float64(c.Of) / consideredAtMost
		v.Expected *= scale
		v.Low, v.High = int(float64(v.Low)*scale), int(math.Ceil(float64(v.High)*scale))
	}
	p.verdicts = append(p.verdicts, v)
	p.believe(likelihood)
	if atLeast {
		return
	}
	for h, share := range shares {
		// The expected share of the real cohort given this rate and the count.
		to := (share*concentration + float64(seen)) / float64(concentration+of)
		p.tilt(h, in, share, to)
	}
}

// believe multiplies the beliefs by likelihoods.
func (p *Progress) believe(likelihood []float64) {
	total := 0.0
	for h, l := range likelihood {
		total += p.belief[h] * l
	}
	if !(total > 0) {
		return
	}
	for h, l := range likelihood {
		p.belief[h] *= l / total
	}
}

// tilt moves the weight of the animals of hypothesis h that are in the stage
// counted from one share towards another. An animal is never weighted up or
// down more than fivefold by one count: a few stand for many only so far.
func (p *Progress) tilt(h int, in func(uint8) bool, from, to float64) {
	if from <= 0 || from >= 1 {
		return
	}
	n := p.size.Individuals
	if p.weight == nil {
		p.weight = make([]float64, len(p.stage))
		for i := range p.weight {
			p.weight[i] = 1 / float64(n)
		}
	}
	bounded := func(f float64) float64 { return math.Min(5, math.Max(0.2, f)) }
	inside, outside := bounded(to/from), bounded((1-to)/(1-from))
	total := 0.0
	for i := h * n; i < (h+1)*n; i++ {
		if in(p.stage[i]) {
			p.weight[i] *= inside
		} else {
			p.weight[i] *= outside
		}
		total += p.weight[i]
	}
	for i := h * n; i < (h+1)*n; i++ {
		p.weight[i] /= total
	}
}

// measure takes in a typical body length: the length expected grows evenly in
// its logarithm from the end of one instar to the end of the next.
func (p *Progress) measure(lengthMM float64) {
	n := p.size.Individuals
	likelihood := make([]float64, p.size.Rates)
	for h := range likelihood {
		weight, sum := 0.0, 0.0
		for i := h * n; i < (h+1)*n; i++ {
			if l, ok := p.lengthOf(i); ok {
				weight += p.ShareWithin(i)
				sum += p.ShareWithin(i) * math.Log(l)
			}
		}
		z := 3.0 // no larvae at all under this rate
		if weight > 0 {
			z = math.Min(3, math.Abs(math.Log(lengthMM)-sum/weight)/lengthDoubt)
		}
		likelihood[h] = math.Exp(-z * z / 2)
	}
	p.believe(likelihood)
}

// lengthOf is the body length expected of animal i, where the species says.
func (p *Progress) lengthOf(i int) (float64, bool) {
	s := int(p.stage[i])
	if s == 0 || p.species.Endless(s) || p.species.Stages[s].LengthMM.TypicalMM == 0 {
		return 0, false
	}
	end := p.species.Stages[s].LengthMM.TypicalMM
	begin := p.species.Stages[s-1].LengthMM.TypicalMM
	if begin == 0 {
		// A hatchling is about a third as long as at its first moult.
		begin = end / 3
	}
	done := 1 - p.Left(i)/p.Requirement(i, s)
	return begin * math.Pow(end/begin, math.Min(1, math.Max(0, done))), true
}

// recount brings the shares that have passed each stage, and when, in line
// with what is believed now.
func (p *Progress) recount() {
	clear(p.passed)
	for i, at := range p.stage {
		share := p.Share(i)
		for s := 0; s <= min(int(at), len(p.passed)-1); s++ {
			p.passed[s] += share
		}
	}
	for s := p.first + 1; s < len(p.passed); s++ {
		for k, share := range MarkShares() {
			switch there := p.passed[s] >= share-1e-9; {
			case !there:
				p.marks[s][k] = time.Time{}
			case p.marks[s][k].IsZero():
				p.marks[s][k] = p.now
			}
		}
	}
}
