package rearing

import (
	"fmt"
	"math"
	"time"
)

// Shipping is how pupae travel.
type Shipping struct {
	// TransitC is the temperature in °C on the way; Transit how long it takes.
	TransitC float64
	Transit  time.Duration
	// Harden is how long a pupa must have rested before it may be touched;
	// 0 is two days (common practice, no published source; verify on site).
	Harden time.Duration
	// MayEmerge is the share of shipped pupae that may emerge on the way;
	// 0 is 2 %.
	MayEmerge float64
}

// ShippingDay is what shipping on one day would mean.
type ShippingDay struct {
	Day time.Time `json:"day"`
	// Ready is the number of pupae fit to travel.
	Ready float64 `json:"ready"`
	// Emerging is the share of them expected to emerge on the way.
	Emerging float64 `json:"emerging_ratio"`
	// DaysLeft is the median time to emergence after arrival, had they stayed
	// at the transit temperature: 10 to 90 % are from Least to Most. Infinite
	// values are left out as 0 with Never set: nothing develops there.
	DaysLeft float64 `json:"days_left"`
	Least    float64 `json:"days_left_least"`
	Most     float64 `json:"days_left_most"`
	Never    bool    `json:"never,omitempty"`
	// Fit is set when no more emerge on the way than may.
	Fit bool `json:"fit"`
}

// ShipPupae looks at each day, at the hour of p.Time, on which pupae of the
// cohort could be sent, until none are left.
func (p *Progress) ShipPupae(o *Outlook, ship Shipping) ([]ShippingDay, error) {
	pupa, ok := p.species.StageIndex("pupa")
	if !ok || p.endless(pupa) || pupa+1 >= len(p.species.Stages) {
		return nil, fmt.Errorf("shipping: %s has no pupal stage with an end", p.species.CommonName)
	}
	if ship.Harden == 0 {
		ship.Harden = 48 * time.Hour
	}
	if ship.MayEmerge == 0 {
		ship.MayEmerge = 0.02
	}
	if !(ship.TransitC >= -10 && ship.TransitC <= 45) || ship.Transit <= 0 || ship.Transit > 30*24*time.Hour || ship.Harden < 0 || !(ship.MayEmerge > 0 && ship.MayEmerge < 1) {
		return nil, fmt.Errorf("shipping: %v at %v °C is impossible", ship.Transit, ship.TransitC)
	}
	worlds, err := p.worlds(o)
	if err != nil {
		return nil, err
	}
	perDay := p.species.Stages[pupa].Rate.PerDay(ship.TransitC)
	onTheWay := perDay * ship.Transit.Hours() / 24
	now := p.now.Sub(o.from).Hours()
	days := (o.hours-int(now))/24 + 1
	ready := make([]float64, days)
	emerging := make([]float64, days)
	left := make([][]float64, days)
	shares := make([][]float64, days)
	courses := p.courses(o)[pupa]
	p.walk(o, worlds, func(w, i int, entered []float64) {
		if math.IsInf(entered[pupa], 1) {
			return
		}
		sum := courses[worlds[w].course]
		share := worlds[w].belief * p.own(i)
		// What remains when it emerges in the room, counted back from there;
		// beyond the outlook the whole requirement from its entry on.
		var end float64
		switch {
		case !math.IsInf(entered[pupa+1], 0):
			end = sumAt(sum, entered[pupa+1])
		case math.IsInf(entered[pupa+1], -1):
			return
		case math.IsInf(entered[pupa], -1):
			end = sumAt(sum, now) + p.target[i] - p.sums[pupa]
		default:
			end = sumAt(sum, entered[pupa]) + p.requirement(i, pupa)
		}
		since := entered[pupa]
		if math.IsInf(since, -1) {
			since = p.pupatedBefore(pupa).Sub(o.from).Hours()
		}
		for d := range days {
			at := now + 24*float64(d)
			if at < since+ship.Harden.Hours() {
				continue
			}
			need := end - sumAt(sum, at)
			if at >= entered[pupa+1] || need <= 0 {
				break
			}
			ready[d] += share
			if need <= onTheWay {
				emerging[d] += share
			}
			left[d] = append(left[d], math.Max(0, need-onTheWay))
			shares[d] = append(shares[d], share)
		}
	})
	var out []ShippingDay
	for d := range days {
		number := ready[d] * float64(p.alive)
		if number < 0.5 {
			continue
		}
		for i := range shares[d] {
			shares[d][i] /= ready[d]
		}
		s := ShippingDay{Day: p.now.Add(time.Duration(d) * 24 * time.Hour), Ready: number, Emerging: emerging[d] / ready[d], Never: perDay == 0}
		s.Fit = s.Emerging <= ship.MayEmerge
		if perDay > 0 {
			s.Least = weightedQuantile(left[d], shares[d], 0.1) / perDay
			s.DaysLeft = weightedQuantile(left[d], shares[d], 0.5) / perDay
			s.Most = weightedQuantile(left[d], shares[d], 0.9) / perDay
		}
		out = append(out, s)
	}
	return out, nil
}

// pupatedBefore is when the animals that are in a stage already entered it at
// the latest for most of them: the last share of the cohort whose passing was
// noted, or now.
func (p *Progress) pupatedBefore(s int) time.Time {
	for k := len(p.marks[s]) - 1; k >= 0; k-- {
		if !p.marks[s][k].IsZero() {
			return p.marks[s][k]
		}
	}
	return p.now
}
