package population

import (
	"fmt"
	"math"
	"time"

	"rearguard/daemon/rearing/species"
)

// Size says how finely a cohort is represented.
type Size struct {
	// Individuals is the number of representative animals per rate
	// hypothesis, a power of two from 8 to 1024.
	Individuals int
	// Rates is the number of hypotheses about how fast the whole cohort is
	// against its species, odd, from 1 to 101.
	Rates int
}

// defaultSize serves forecasts and counts; it costs about 14 kB a cohort.
func defaultSize() Size { return Size{Individuals: 64, Rates: 21} }

// ratesReach is how many standard deviations of the cohort's rate the
// hypotheses span to each side.
const ratesReach = 2.5

// Progress is how far a cohort has come: a population of representative
// animals under several hypotheses of the cohort's rate, moved along the
// room's temperature, and one typical animal that has exactly the species'
// constants. Everything is a pure function of the cohort, the species and
// the segments; how segments are split changes nothing.
//
// All animals in one stage share the stage's integral of rate over
// temperature, so a segment costs one integral per occupied stage, and an
// animal is touched only when it enters its next stage.
type Progress struct {
	species *species.Species
	size    Size
	start   time.Time
	first   int
	alive   int

	now time.Time
	// sums[s] is the physiological time of stage s since some animal could
	// be in it; only differences matter.
	sums []float64
	// stage and target of each animal, hypothesis by hypothesis; an animal
	// passes its stage when the stage's sum reaches target.
	stage  []uint8
	target []float64
	// weight of each animal within its hypothesis; nil while all are equal.
	weight []float64
	// rate and belief of each hypothesis; beliefs add up to 1.
	rate   []float64
	belief []float64
	// inStage[s] is how many animals are in stage s; next[s] the least
	// target among them.
	inStage []int
	next    []float64
	// passed[s] is the share of the population that has entered stage s;
	// marks[s] when 10, 50 and 90 % had.
	passed []float64
	marks  [][3]time.Time

	typical typical
	// missing is the time that was passed over without any air.
	missing time.Duration

	verdicts []Verdict
	losses   []Loss
}

// typical is the animal with the mean requirement in every stage.
type typical struct {
	stage   int
	target  float64
	entered []time.Time
	// degreeDays and estimated are the plain thermal time of the cohort.
	degreeDays, estimated float64
}

// NewProgress returns the progress of a cohort at its start.
func NewProgress(sp *species.Species, c *Cohort) (*Progress, error) {
	return NewProgressOfSize(sp, c, defaultSize())
}

// NewProgressOfSize is NewProgress with a representation of another size.
func NewProgressOfSize(sp *species.Species, c *Cohort, size Size) (*Progress, error) {
	first, ok := sp.StageIndex(c.StartStage)
	if !ok {
		return nil, fmt.Errorf("cohort %s: species %s has no stage %q", c.ID, sp.ID, c.StartStage)
	}
	if c.Start.IsZero() {
		return nil, fmt.Errorf("cohort %s: has no start time", c.ID)
	}
	n, g := size.Individuals, size.Rates
	if n < 8 || n > 1024 || n&(n-1) != 0 || g < 1 || g > 101 || g%2 == 0 {
		return nil, fmt.Errorf("cohort %s: size %d × %d is not a power of two from 8 to 1024 by an odd number up to 101", c.ID, n, g)
	}
	stages := len(sp.Stages)
	p := &Progress{
		species: sp, size: size, start: c.Start, first: first, alive: c.Individuals, now: c.Start,
		sums: make([]float64, stages), stage: make([]uint8, n*g), target: make([]float64, n*g),
		rate: make([]float64, g), belief: make([]float64, g),
		inStage: make([]int, stages+1), next: make([]float64, stages+1),
		passed: make([]float64, stages), marks: make([][3]time.Time, stages),
	}
	p.setRates()
	for s := range stages + 1 {
		p.next[s] = math.Inf(1)
	}
	for i := range p.stage {
		p.place(i, first, 0)
	}
	for s := 0; s <= first; s++ {
		p.passed[s] = 1
		p.marks[s] = [3]time.Time{c.Start, c.Start, c.Start}
	}
	p.typical.entered = make([]time.Time, stages)
	p.typical.entered[first] = c.Start
	p.typical.stage = first
	p.typical.target = p.typicalTarget(first, 0)
	return p, nil
}

// setRates lays the hypotheses evenly over the logarithm of the rate and
// believes them as the normal distribution does.
func (p *Progress) setRates() {
	g := p.size.Rates
	if g == 1 {
		p.rate[0], p.belief[0] = 1, 1
		return
	}
	total := 0.0
	for h := range g {
		z := ratesReach * (2*float64(h)/float64(g-1) - 1)
		p.rate[h] = math.Exp(z * p.species.RateSpread)
		p.belief[h] = math.Exp(-z * z / 2)
		total += p.belief[h]
	}
	for h := range g {
		p.belief[h] /= total
	}
}

// place puts animal i into stage s, entered when the stage's sum was at sum.
func (p *Progress) place(i, s int, sum float64) {
	p.stage[i] = uint8(s)
	p.target[i] = math.Inf(1)
	if !p.species.Endless(s) {
		p.target[i] = sum + p.Requirement(i, s)
	}
	p.inStage[s]++
	p.next[s] = math.Min(p.next[s], p.target[i])
}

func (p *Progress) typicalTarget(s int, sum float64) float64 {
	if p.species.Endless(s) {
		return math.Inf(1)
	}
	return sum + p.species.Stages[s].Requirement
}
