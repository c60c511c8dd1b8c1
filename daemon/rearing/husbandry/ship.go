package husbandry

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
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

// ShipPupae looks at each day, at the hour of the cohort's time, on which pupae
// of the cohort could be sent, until none are left.
func ShipPupae(p *population.Progress, o *forecast.Outlook, ship Shipping) ([]ShippingDay, error) {
	sp := p.Species()
	pupa, ok := sp.StageIndex(species.Pupa)
	if !ok || sp.Endless(pupa) || pupa+1 >= len(sp.Stages) {
		return nil, fmt.Errorf("shipping: %s has no pupal stage with an end", sp.CommonName)
	}
	if err := ship.complete(); err != nil {
		return nil, err
	}
	worlds, err := forecast.WorldsOf(p, o)
	if err != nil {
		return nil, err
	}
	perDay := sp.Stages[pupa].Rate.PerDay(ship.TransitC)
	now := o.HourOf(p.Time())
	days := (o.Hours()-int(now))/24 + 1
	c := consignment{
		cohort: p, pupa: pupa, worlds: worlds, courses: o.Integrals(&sp.Stages[pupa]), now: now,
		pupated: o.HourOf(pupatedBefore(p, pupa)), harden: ship.Harden.Hours(), onTheWay: perDay * ship.Transit.Hours() / 24,
		ready: make([]float64, days), emerging: make([]float64, days), left: make([][]float64, days), shares: make([][]float64, days),
	}
	worlds.Walk(p, o, c.add)
	var out []ShippingDay
	for d := range days {
		number := c.ready[d] * float64(p.Alive())
		if number < 0.5 {
			continue
		}
		for i := range c.shares[d] {
			c.shares[d][i] /= c.ready[d]
		}
		s := ShippingDay{Day: p.Time().Add(time.Duration(d) * 24 * time.Hour), Ready: number, Emerging: c.emerging[d] / c.ready[d], Never: perDay == 0}
		s.Fit = s.Emerging <= ship.MayEmerge
		if perDay > 0 {
			s.Least = forecast.Quantile(c.left[d], c.shares[d], 0.1) / perDay
			s.DaysLeft = forecast.Quantile(c.left[d], c.shares[d], 0.5) / perDay
			s.Most = forecast.Quantile(c.left[d], c.shares[d], 0.9) / perDay
		}
		out = append(out, s)
	}
	return out, nil
}

// complete puts in what is not stated and refuses the impossible.
func (s *Shipping) complete() error {
	if s.Harden == 0 {
		s.Harden = 48 * time.Hour
	}
	if s.MayEmerge == 0 {
		s.MayEmerge = 0.02
	}
	if !(s.TransitC >= -10 && s.TransitC <= 45) || s.Transit <= 0 || s.Transit > 30*24*time.Hour || s.Harden < 0 || !(s.MayEmerge > 0 && s.MayEmerge < 1) {
		return fmt.Errorf("shipping: %v at %v °C is impossible", s.Transit, s.TransitC)
	}
	return nil
}

// consignment gathers which pupae are fit to travel on each day. Hours are
// after the outlook's start.
type consignment struct {
	cohort  *population.Progress
	pupa    int
	worlds  forecast.Worlds
	courses []forecast.Integral
	now     float64
	// pupated is when the pupae that are there already pupated; harden how
	// many hours of rest a pupa needs.
	pupated, harden float64
	// onTheWay is the physiological time of the transit.
	onTheWay float64
	// ready and emerging are shares of the living for each day; left is what
	// the ready ones need after arrival, with their shares.
	ready, emerging []float64
	left, shares    [][]float64
}

// add looks at animal i of world w on each day.
func (c *consignment) add(w, i int, entered []float64) {
	if math.IsInf(entered[c.pupa], 1) {
		return
	}
	sum := c.courses[c.worlds[w].Course]
	share := c.worlds[w].Belief * c.cohort.ShareWithin(i)
	// What remains when it emerges in the room, counted back from there;
	// beyond the outlook the whole requirement from its entry on.
	var end float64
	switch {
	case !math.IsInf(entered[c.pupa+1], 0):
		end = sum.At(entered[c.pupa+1])
	case math.IsInf(entered[c.pupa+1], -1):
		return
	case math.IsInf(entered[c.pupa], -1):
		end = sum.At(c.now) + c.cohort.Left(i)
	default:
		end = sum.At(entered[c.pupa]) + c.cohort.Requirement(i, c.pupa)
	}
	since := entered[c.pupa]
	if math.IsInf(since, -1) {
		since = c.pupated
	}
	for d := range c.ready {
		at := c.now + 24*float64(d)
		if at < since+c.harden {
			continue
		}
		need := end - sum.At(at)
		if at >= entered[c.pupa+1] || need <= 0 {
			break
		}
		c.ready[d] += share
		if need <= c.onTheWay {
			c.emerging[d] += share
		}
		c.left[d] = append(c.left[d], math.Max(0, need-c.onTheWay))
		c.shares[d] = append(c.shares[d], share)
	}
}

// pupatedBefore is when the animals that are in a stage already entered it at
// the latest for most of them: the last share of the cohort whose passing was
// noted, or now.
func pupatedBefore(p *population.Progress, s int) time.Time {
	shares := population.MarkShares()
	for k := range slices.Backward(shares[:]) {
		if at := p.Mark(s, k); !at.IsZero() {
			return at
		}
	}
	return p.Time()
}
