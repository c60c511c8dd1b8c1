package husbandry

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"time"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
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

// errNoSafeRange is returned when the species states no heat and chill limits
// for the stages to come: no set point can be called safe then.
var errNoSafeRange = errors.New("species states no heat and chill limits")

// wideMarginC is the distance from a limit within which a set point is called
// risky: regulation and the difference between the corners of a room take
// about so much (common practice, no published source; verify on site).
const wideMarginC = 2.0

// ShiftEmergence tries set points in steps of a degree within the safe limits
// of the stages still to pass, nearest to the target first. Doubt is how well
// the room keeps a set point.
func ShiftEmergence(p *population.Progress, target time.Time, doubt forecast.AirUncertainty, horizon time.Duration) ([]ShiftOption, error) {
	if !target.After(p.Time()) {
		return nil, fmt.Errorf("shift: target %s is not after %s", target.Format(time.RFC3339), p.Time().Format(time.RFC3339))
	}
	heat, chill, ok := safeRange(p)
	if !ok {
		return nil, fmt.Errorf("shift: %s: %w", p.Species().CommonName, errNoSafeRange)
	}
	stages := p.Species().Stages
	last := stages[len(stages)-1].ID
	var options []ShiftOption
	for c := math.Ceil(chill.Value); c <= heat.Value; c++ {
		o, err := forecast.NewOutlook(forecast.ConstantAir(c), doubt, p.Time(), horizon)
		if err != nil {
			return nil, fmt.Errorf("shift: %w", err)
		}
		f, err := forecast.Make(p, o)
		if err != nil {
			return nil, fmt.Errorf("shift: %w", err)
		}
		e := f.Events[len(f.Events)-1]
		option := ShiftOption{SetPointC: c, Early: e.Early, Median: e.Median, Late: e.Late, MarginC: math.Min(heat.Value-c, c-chill.Value)}
		option.ByTarget, _ = f.ShareBefore(last, target)
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
func safeRange(p *population.Progress) (heat, chill species.Limit, ok bool) {
	found := map[species.LimitKind]species.Limit{}
	sp := p.Species()
	reached := false
	for s, there := range p.Shares() {
		reached = reached || there.Share > population.StragglersShare
		if !reached {
			continue
		}
		for _, l := range sp.Stages[s].AirLimits() {
			if known, has := found[l.Kind]; !has || l.Stricter(known) {
				found[l.Kind] = l
			}
		}
	}
	heat, hasHeat := found[species.Heat]
	chill, hasChill := found[species.Chill]
	return heat, chill, hasHeat && hasChill
}

// riskOf says how near a set point is to a limit.
func riskOf(c float64, heat, chill species.Limit) string {
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
