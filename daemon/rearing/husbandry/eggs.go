// Package husbandry answers what a keeper has to do: how many eggs to have laid
// and when, on which days pupae can be sent, how much host plant to cut, and
// which set point moves an emergence. Every answer comes from a forecast with
// its doubt.
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

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// EggRequest asks for a number of adults by a date.
type EggRequest struct {
	// Emergences is how many adults must emerge by By, and at most Within
	// before it: adults live only so long. Within 0 is ten days.
	Emergences int
	By         time.Time
	Within     time.Duration
	// Survival is the share of eggs that become adults, with its standard
	// deviation from cohort to cohort; 0 is what the species' stages state,
	// and 0.6 where they state nothing, ± 0.15, assumed.
	Survival, SurvivalSD float64
	// Chance is how sure it must be, 0.5 to 0.99; 0 is 0.8.
	Chance float64
}

// Survival from egg to adult that is assumed when a facility states none:
// common practice, no published source; verify on site.
const (
	assumedSurvival   = 0.6
	assumedSurvivalSD = 0.15
)

// EggPlan is one way to meet a request.
type EggPlan struct {
	// LayOn is the time the eggs are laid, all within hours of each other.
	LayOn time.Time `json:"lay_on"`
	// Eggs is the least number that meets the request with Chance.
	Eggs   int     `json:"eggs"`
	Chance float64 `json:"chance"`
	// InTime is the share of surviving animals expected to emerge in time.
	InTime float64 `json:"in_time_ratio"`
	// SurvivalAssumed is set when the request stated no survival.
	SurvivalAssumed bool `json:"survival_assumed"`
}

// ErrNoPlan is returned when no number of eggs meets a request: the date is
// too near, too far, or too uncertain in the given air.
var ErrNoPlan = errors.New("no number of eggs meets the request")

// mostEggs bounds the plans that are considered.
const mostEggs = 20000

// PlanEggs returns for each day on which eggs could be laid in the air of the
// outlook how many must be, fewest first and of equal numbers the latest. It
// wraps ErrNoPlan when there is no such day, with the best chance there is.
func PlanEggs(sp *species.Species, o *forecast.Outlook, req EggRequest) ([]EggPlan, error) {
	assumed := req.Survival == 0
	if assumed {
		req.Survival, req.SurvivalSD = assumedSurvival, assumedSurvivalSD
		if share, stated := sp.Survival(); stated {
			req.Survival = share
		}
	}
	if req.Within == 0 {
		req.Within = 10 * 24 * time.Hour
	}
	if req.Chance == 0 {
		req.Chance = 0.8
	}
	if err := req.check(o); err != nil {
		return nil, err
	}
	survivals := req.survivals()
	var plans []EggPlan
	best, bestDay := 0.0, o.From()
	for day := o.From(); day.Before(req.By); day = day.Add(24 * time.Hour) {
		worlds, inTime, err := layOn(sp, o, day, req)
		if err != nil {
			return nil, err
		}
		chance := func(eggs int) float64 { return chanceOf(req.Emergences, eggs, worlds, inTime, survivals) }
		if c := chance(mostEggs); c < req.Chance {
			if c > best {
				best, bestDay = c, day
			}
			continue
		}
		eggs := req.Emergences + sort.Search(mostEggs-req.Emergences, func(n int) bool { return chance(req.Emergences+n) >= req.Chance })
		plan := EggPlan{LayOn: day, Eggs: eggs, Chance: chance(eggs), SurvivalAssumed: assumed}
		for w, f := range inTime {
			plan.InTime += worlds[w].Belief * f
		}
		plans = append(plans, plan)
	}
	if len(plans) == 0 {
		return nil, fmt.Errorf("%w: %d of %s by %s; the best chance is %.0f %%, with eggs laid on %s", ErrNoPlan,
			req.Emergences, sp.CommonName, req.By.Format(time.DateOnly), 100*best, bestDay.Format(time.DateOnly))
	}
	sort.SliceStable(plans, func(i, j int) bool {
		if plans[i].Eggs != plans[j].Eggs {
			return plans[i].Eggs < plans[j].Eggs
		}
		return plans[i].LayOn.After(plans[j].LayOn)
	})
	return plans, nil
}

func (r EggRequest) check(o *forecast.Outlook) error {
	switch {
	case r.Emergences < 1 || r.Emergences > mostEggs/4:
		return fmt.Errorf("plan: %d emergences; want 1 to %d", r.Emergences, mostEggs/4)
	case !(r.Survival > 0 && r.Survival <= 1) || !(r.SurvivalSD >= 0 && r.SurvivalSD < 0.5):
		return fmt.Errorf("plan: survival %v ± %v is impossible", r.Survival, r.SurvivalSD)
	case !(r.Chance >= 0.5 && r.Chance <= 0.99):
		return fmt.Errorf("plan: chance %v; want 0.5 to 0.99", r.Chance)
	case r.Within < time.Hour:
		return fmt.Errorf("plan: emergences within %v; want at least an hour", r.Within)
	case !r.By.After(o.From()) || r.By.After(o.Until()):
		return fmt.Errorf("plan: %s is outside the air forecast from %s to %s",
			r.By.Format(time.DateOnly), o.From().Format(time.DateOnly), o.Until().Format(time.DateOnly))
	}
	return nil
}

// survivals are equally likely survivals of a cohort, from a beta distribution
// with the stated mean and standard deviation.
func (r EggRequest) survivals() []float64 {
	m := r.Survival
	variance := r.SurvivalSD * r.SurvivalSD
	if variance == 0 || m == 1 {
		return []float64{m}
	}
	// A beta distribution has no variance beyond m(1-m).
	k := math.Max(0.5, m*(1-m)/variance-1)
	beta := distuv.Beta{Alpha: m * k, Beta: (1 - m) * k}
	const points = 15
	out := make([]float64, points)
	for i := range out {
		out[i] = beta.Quantile((float64(i) + 0.5) / points)
	}
	return out
}

// planSize is coarse: a plan looks at many days.
func planSize() population.Size { return population.Size{Individuals: 32, Rates: 15} }

// layOn returns the share of animals that emerge in time in each world when
// the eggs are laid on a day.
func layOn(sp *species.Species, o *forecast.Outlook, day time.Time, req EggRequest) (worlds forecast.Worlds, inTime []float64, err error) {
	p, err := population.NewProgressOfSize(sp, &population.Cohort{ID: "plan", Species: sp.ID, Start: day, StartStage: sp.Stages[0].ID, Individuals: 1}, planSize())
	if err != nil {
		return nil, nil, err
	}
	until := o.HourOf(req.By)
	since := until - req.Within.Hours()
	last := len(sp.Stages) - 1
	if worlds, err = forecast.WorldsOf(p, o); err != nil {
		return nil, nil, err
	}
	inTime = make([]float64, len(worlds))
	worlds.Walk(p, o, func(w, i int, entered []float64) {
		if h := entered[last]; h > since && h <= until {
			inTime[w] += p.ShareWithin(i)
		}
	})
	return worlds, inTime, nil
}

// chanceOf is the chance that at least n of the eggs become adults in time.
func chanceOf(n, eggs int, worlds forecast.Worlds, inTime, survivals []float64) float64 {
	if eggs < n {
		return 0
	}
	chance := 0.0
	for w := range worlds {
		belief := worlds[w].Belief
		for _, s := range survivals {
			p := math.Min(1, s*inTime[w])
			switch {
			case p <= 0:
			case p >= 1:
				chance += belief / float64(len(survivals))
			default:
				// The upper tail of the binomial is an incomplete beta function.
				chance += belief / float64(len(survivals)) * mathext.RegIncBeta(float64(n), float64(eggs-n+1), p)
			}
		}
	}
	return chance
}
