package rearing

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"time"
)

// ShiftOption is what holding the room at one set point from now on does to
// the emergence of a cohort.
type ShiftOption struct {
	// SetPointC is the constant temperature in °C.
	SetPointC float64 `json:"set_point_celsius"`
	// Early, Median and Late are the emergence of 10, 50 and 90 %; the zero
	// time is beyond the horizon.
	Early  time.Time `json:"early,omitzero"`
	Median time.Time `json:"median,omitzero"`
	Late   time.Time `json:"late,omitzero"`
	// ByTarget is the share of the cohort expected to have emerged by then.
	ByTarget float64 `json:"by_target_ratio"`
	// MarginC is how far the set point is from the nearer safe limit.
	MarginC float64 `json:"margin_celsius"`
	// Risk says what the set point risks, empty when the margin is wide.
	Risk string `json:"risk,omitempty"`
}

// ErrNoSafeRange is returned when the species states no heat and chill limits
// for the stages to come: no set point can be called safe then.
var ErrNoSafeRange = errors.New("species states no heat and chill limits")

// wideMarginC is the distance from a limit within which a set point is called
// risky: regulation and the difference between the corners of a room take
// about so much (common practice, no published source; verify on site).
const wideMarginC = 2.0

// ShiftEmergence tries set points in steps of a degree within the safe limits
// of the stages still to pass, nearest to the target first. Doubt is how well
// the room keeps a set point.
func (p *Progress) ShiftEmergence(target time.Time, doubt AirUncertainty, horizon time.Duration) ([]ShiftOption, error) {
	if !target.After(p.now) {
		return nil, fmt.Errorf("shift: target %s is not after %s", target.Format(time.RFC3339), p.now.Format(time.RFC3339))
	}
	heat, chill, ok := p.safeRange()
	if !ok {
		return nil, fmt.Errorf("shift: %s: %w", p.species.CommonName, ErrNoSafeRange)
	}
	last := p.species.Stages[len(p.species.Stages)-1].ID
	var options []ShiftOption
	for c := math.Ceil(chill.Value); c <= heat.Value; c++ {
		o, err := NewOutlook(ConstantAir(c), doubt, p.now, horizon)
		if err != nil {
			return nil, fmt.Errorf("shift: %w", err)
		}
		f, err := p.Forecast(o)
		if err != nil {
			return nil, fmt.Errorf("shift: %w", err)
		}
		e := f.Events[len(f.Events)-1]
		option := ShiftOption{SetPointC: c, Early: e.Early, Median: e.Median, Late: e.Late, MarginC: math.Min(heat.Value-c, c-chill.Value)}
		option.ByTarget, _ = p.ShareBefore(f, last, target)
		option.Risk = riskOf(c, heat, chill)
		options = append(options, option)
	}
	distance := func(o ShiftOption) time.Duration {
		if o.Median.IsZero() {
			return math.MaxInt64
		}
		return o.Median.Sub(target).Abs()
	}
	sort.SliceStable(options, func(i, j int) bool { return distance(options[i]) < distance(options[j]) })
	return options, nil
}

// safeRange is the strictest heat and chill limit of the stages that part of
// the cohort is in or has still to pass.
func (p *Progress) safeRange() (heat, chill Limit, ok bool) {
	found := map[LimitKind]Limit{}
	shares := p.shares()
	reached := false
	for s := range p.species.Stages {
		reached = reached || shares[s] > minShareForLimits
		if !reached {
			continue
		}
		for _, l := range p.species.Stages[s].limits() {
			if known, has := found[l.Kind]; !has || l.stricter(known) {
				found[l.Kind] = l
			}
		}
	}
	heat, hasHeat := found[Heat]
	chill, hasChill := found[Chill]
	return heat, chill, hasHeat && hasChill
}

// riskOf says how near a set point is to a limit.
func riskOf(c float64, heat, chill Limit) string {
	side, l, margin := "below the heat limit", heat, heat.Value-c
	if c-chill.Value < margin {
		side, l, margin = "above the chill limit", chill, c-chill.Value
	}
	if margin >= wideMarginC {
		return ""
	}
	text := fmt.Sprintf("only %.1f °C %s of the %s stage", margin, side, l.StageName)
	if l.Assumed {
		text += ", which is assumed; verify on site"
	}
	return text
}
