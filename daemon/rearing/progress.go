package rearing

import (
	"errors"
	"fmt"
	"math"
	"time"

	"rearguard/daemon/development"
)

// Segment is a straight line of room temperature from From to To.
type Segment struct {
	From, To   time.Time
	FromC, ToC float64
	// Estimated is set when the line bridges a gap in the air.
	Estimated bool
}

// days is the length of the segment in days.
func (s Segment) days() float64 { return float64(s.To.Sub(s.From)) / float64(24*time.Hour) }

// cut returns the part of the segment from t on.
func (s Segment) cut(t time.Time) Segment {
	f := float64(t.Sub(s.From)) / float64(s.To.Sub(s.From))
	s.FromC += (s.ToC - s.FromC) * f
	s.From = t
	return s
}

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
	species *Species
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
func NewProgress(sp *Species, c *Cohort) (*Progress, error) {
	return NewProgressOfSize(sp, c, defaultSize())
}

// NewProgressOfSize is NewProgress with a representation of another size.
func NewProgressOfSize(sp *Species, c *Cohort, size Size) (*Progress, error) {
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

// requirement is what animal i needs for stage s: the same-shape rule says
// that it is the mean requirement times a factor of the animal, whatever the
// temperature. The factors are stratified quantiles, paired anew per stage.
func (p *Progress) requirement(i, s int) float64 {
	st := &p.species.Stages[s]
	h, k := i/p.size.Individuals, i%p.size.Individuals
	// Each hypothesis sits at another point inside the animals' strata, so
	// that the mixture of all is smoother than any of them.
	inside := strata / p.size.Individuals
	stratum := scramble(k, p.size.Individuals, uint64(h)<<8|uint64(s))*inside + scramble(h, 128, uint64(s))*inside/128
	return st.Requirement * st.Distribution.multiple(p.species.shapes.of(st.Distribution, stratum), st.Spread) / p.rate[h]
}

// endless reports whether animals stay in stage s: the adult without an end,
// and beyond the last stage.
func (p *Progress) endless(s int) bool {
	return s >= len(p.species.Stages) || p.species.Stages[s].Rate == nil
}

// place puts animal i into stage s, entered when the stage's sum was at sum.
func (p *Progress) place(i, s int, sum float64) {
	p.stage[i] = uint8(s)
	p.target[i] = math.Inf(1)
	if !p.endless(s) {
		p.target[i] = sum + p.requirement(i, s)
	}
	p.inStage[s]++
	p.next[s] = math.Min(p.next[s], p.target[i])
}

func (p *Progress) typicalTarget(s int, sum float64) float64 {
	if p.endless(s) {
		return math.Inf(1)
	}
	return sum + p.species.Stages[s].Requirement
}

// share is the part of the whole population that animal i stands for.
func (p *Progress) share(i int) float64 {
	b := p.belief[i/p.size.Individuals]
	if p.weight == nil {
		return b / float64(p.size.Individuals)
	}
	return b * p.weight[i]
}

// Errors of Advance.
var (
	// ErrBackwards is returned for a segment that ends before it begins.
	ErrBackwards = errors.New("segment ends before it begins")
	// ErrTemperature is returned for a temperature that is no number or
	// outside -60 to 80 °C.
	ErrTemperature = errors.New("segment temperature is not a number from -60 to 80 °C")
)

// Advance moves the cohort along seg. The part of seg before the cohort's
// time is left out, so a repeated segment changes nothing; time between the
// cohort's time and seg is passed over without progress and added to
// Missing.
func (p *Progress) Advance(seg Segment) error {
	if seg.To.Before(seg.From) {
		return ErrBackwards
	}
	if !(seg.FromC >= -60 && seg.FromC <= 80 && seg.ToC >= -60 && seg.ToC <= 80) {
		return ErrTemperature
	}
	if !seg.To.After(p.now) {
		return nil
	}
	if seg.From.Before(p.now) {
		seg = seg.cut(p.now)
	} else if seg.From.After(p.now) {
		p.missing += seg.From.Sub(p.now)
	}
	days := seg.days()
	for s := range p.sums {
		atTypical := p.typical.stage == s
		if p.inStage[s] == 0 && !atTypical {
			continue
		}
		rate := p.species.Stages[s].Rate
		if rate == nil {
			continue
		}
		total := rate.Along(seg.FromC, seg.ToC, days)
		if p.next[s] <= p.sums[s]+total {
			p.pass(s, seg, days, total)
		}
		if atTypical {
			p.moveTypical(s, seg, days, total)
		}
		p.sums[s] += total
	}
	p.now = seg.To
	return nil
}

// pass moves every animal that passes stage s within the segment into the
// next stage, at the point of the segment where it does.
func (p *Progress) pass(s int, seg Segment, days, total float64) {
	st := &p.species.Stages[s]
	p.next[s] = math.Inf(1)
	var moved []passage
	for i, at := range p.stage {
		if int(at) != s {
			continue
		}
		need := p.target[i] - p.sums[s]
		if need > total {
			p.next[s] = math.Min(p.next[s], p.target[i])
			continue
		}
		x := crossing(st.Rate, seg.FromC, seg.ToC, days, need, total)
		p.inStage[s]--
		p.place(i, s+1, p.sumAt(s+1, seg, days, x))
		moved = append(moved, passage{x, p.share(i)})
	}
	if s+1 < len(p.passed) {
		p.mark(s+1, seg, moved)
	}
}

// sumAt is what the sum of stage s will be at the fraction x of the segment.
func (p *Progress) sumAt(s int, seg Segment, days, x float64) float64 {
	if p.endless(s) {
		return 0
	}
	return p.sums[s] + p.species.Stages[s].Rate.Along(seg.FromC, seg.FromC+(seg.ToC-seg.FromC)*x, days*x)
}

// moveTypical is pass for the typical animal, with the book of thermal time.
func (p *Progress) moveTypical(s int, seg Segment, days, total float64) {
	t := &p.typical
	st := &p.species.Stages[s]
	from, to := 0.0, 1.0
	if e := t.entered[s]; e.After(seg.From) {
		from = float64(e.Sub(seg.From)) / float64(seg.To.Sub(seg.From))
	}
	done := t.target <= p.sums[s]+total
	if done {
		to = crossing(st.Rate, seg.FromC, seg.ToC, days, t.target-p.sums[s], total)
	}
	if st.DegreeDays != nil {
		at := func(x float64) float64 { return seg.FromC + (seg.ToC-seg.FromC)*x }
		dd := st.DegreeDays.Along(at(from), at(to), days*(to-from))
		t.degreeDays += dd
		if seg.Estimated {
			t.estimated += dd
		}
	}
	if !done {
		return
	}
	t.target = p.typicalTarget(s+1, p.sumAt(s+1, seg, days, to))
	t.stage = s + 1
	if s+1 < len(t.entered) {
		t.entered[s+1] = seg.From.Add(time.Duration(to * float64(seg.To.Sub(seg.From))))
	}
}

// crossing returns the fraction of the segment after which its physiological
// time reaches need, for need not above total. Newton steps on the rate,
// kept inside a shrinking bracket, settle to the last bits.
func crossing(rate development.Rate, fromC, toC, days, need, total float64) float64 {
	if need <= 0 {
		return 0
	}
	if total <= 0 {
		return 1
	}
	lo, hi := 0.0, 1.0
	x := math.Min(1, need/total)
	for range 100 {
		t := fromC + (toC-fromC)*x
		miss := rate.Along(fromC, t, days*x) - need
		if math.Abs(miss) <= 1e-14*need {
			return x
		}
		if miss > 0 {
			hi = x
		} else {
			lo = x
		}
		if hi-lo <= 1e-15 {
			break
		}
		step := x - miss/(rate.PerDay(t)*days)
		if !(step > lo && step < hi) {
			step = (lo + hi) / 2
		}
		x = step
	}
	return hi
}
