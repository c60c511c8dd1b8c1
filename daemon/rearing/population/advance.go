package population

import (
	"errors"
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

// Errors of Advance.
var (
	// errBackwards is returned for a segment that ends before it begins.
	errBackwards = errors.New("segment ends before it begins")
	// errTemperature is returned for a temperature that is no number or
	// outside -60 to 80 °C.
	errTemperature = errors.New("segment temperature is not a number from -60 to 80 °C")
)

// Advance moves the cohort along seg. The part of seg before the cohort's
// time is left out, so a repeated segment changes nothing; time between the
// cohort's time and seg is passed over without progress and noted as
// missing.
func (p *Progress) Advance(seg Segment) error {
	if seg.To.Before(seg.From) {
		return errBackwards
	}
	if !(seg.FromC >= -60 && seg.FromC <= 80 && seg.ToC >= -60 && seg.ToC <= 80) {
		return errTemperature
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
		moved = append(moved, passage{x, p.Share(i)})
	}
	if s+1 < len(p.passed) {
		p.mark(s+1, seg, moved)
	}
}

// sumAt is what the sum of stage s will be at the fraction x of the segment.
func (p *Progress) sumAt(s int, seg Segment, days, x float64) float64 {
	if p.species.Endless(s) {
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
