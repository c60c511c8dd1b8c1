package husbandry

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
)

func TestEggPlanKeepsItsChance(t *testing.T) {
	// Sixty painted ladies for an opening: simulated cohorts of the planned
	// size reach the number about as often as the plan says.
	sp := speciestest.Named(t, "vanessa-cardui")
	doubt := forecast.AirUncertainty{DayMeanSDC: 1.2, Persistence: 0.6}
	rng := rand.New(rand.NewPCG(7, 7))
	air := dayAndNight(23, 2, time.UTC)
	o := outlook(t, air, doubt, 90)
	by := t0.Add(60 * 24 * time.Hour)
	req := EggRequest{Emergences: 60, By: by, Survival: 0.7, SurvivalSD: 0.1}
	plans, err := PlanEggs(sp, o, req)
	if err != nil {
		t.Fatal(err)
	}
	best := plans[0]
	if best.Eggs < 86 || best.Chance < 0.8 || best.SurvivalAssumed || best.LayOn.Before(t0) || !best.LayOn.Before(by) {
		t.Fatalf("best plan %+v", best)
	}
	t.Logf("%d eggs on day %.0f of 60, chance %.2f", best.Eggs, best.LayOn.Sub(t0).Hours()/24, best.Chance)
	met := 0
	const trials = 400
	survivals := req.survivals()
	for range trials {
		if emerged(rng, sp, air, doubt, best, by, survivals[rng.IntN(len(survivals))]) >= 60 {
			met++
		}
	}
	if share := float64(met) / trials; math.Abs(share-best.Chance) > 0.07 {
		t.Errorf("simulated cohorts met the plan in %.2f, planned %.2f", share, best.Chance)
	}
	more, err := PlanEggs(sp, o, EggRequest{Emergences: 60, By: by, Survival: 0.7, SurvivalSD: 0.1, Chance: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	if more[0].Eggs <= best.Eggs {
		t.Errorf("%d eggs for 95 %%, %d for 80 %%", more[0].Eggs, best.Eggs)
	}
}

// emerged simulates a planned cohort with plain hourly steps.
func emerged(rng *rand.Rand, sp *species.Species, air forecast.Air, doubt forecast.AirUncertainty, plan EggPlan, by time.Time, survival float64) int {
	hours := int(by.Sub(plan.LayOn).Hours())
	temps := make([]float64, hours)
	e := rng.NormFloat64() * doubt.DayMeanSDC
	for h := range temps {
		if h%24 == 0 && h > 0 {
			e = doubt.Persistence*e + math.Sqrt(1-doubt.Persistence*doubt.Persistence)*doubt.DayMeanSDC*rng.NormFloat64()
		}
		temps[h] = air.TemperatureC(plan.LayOn.Add(time.Duration(h)*time.Hour+30*time.Minute)) + e
	}
	factor := math.Exp(rng.NormFloat64() * sp.RateSpread)
	n := 0
	for range plan.Eggs {
		if rng.Float64() > survival {
			continue
		}
		s, done := 0, 0.0
		need := func() float64 {
			st := sp.Stages[s]
			return st.Requirement * st.Distribution.Quantile(rng.Float64(), st.Spread) / factor
		}
		left := need()
		for h := 0; h < hours && s < len(sp.Stages)-1; h++ {
			if left -= sp.Stages[s].Rate.PerDay(temps[h]) / 24; left <= 0 {
				if s++; s < len(sp.Stages)-1 {
					left += need()
				}
				done = float64(h)
			}
		}
		if s == len(sp.Stages)-1 && done > float64(hours)-240 {
			n++
		}
	}
	return n
}

func TestEggPlanRefuses(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	o := outlook(t, forecast.ConstantAir(23), forecast.AirUncertainty{}, 60)
	if _, err := PlanEggs(sp, o, EggRequest{Emergences: 60, By: t0.Add(5 * 24 * time.Hour)}); !errors.Is(err, ErrNoPlan) {
		t.Errorf("adults in five days: %v, want ErrNoPlan", err)
	}
	for name, req := range map[string]EggRequest{
		"none":      {By: t0.Add(40 * 24 * time.Hour)},
		"past":      {Emergences: 5, By: t0},
		"beyond":    {Emergences: 5, By: t0.Add(400 * 24 * time.Hour)},
		"survival":  {Emergences: 5, By: t0.Add(40 * 24 * time.Hour), Survival: 1.5},
		"certainty": {Emergences: 5, By: t0.Add(40 * 24 * time.Hour), Chance: 1},
	} {
		if _, err := PlanEggs(sp, o, req); err == nil || errors.Is(err, ErrNoPlan) {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
}

func TestShippingOfPupae(t *testing.T) {
	c, err := speciestest.Overlay(t, "- id: vanessa-cardui\n  rate_spread: 0.01\n")
	if err != nil {
		t.Fatal(err)
	}
	sp, _ := c.Species("vanessa-cardui")
	p := newProgress(t, sp)
	air := forecast.ConstantAir(26)
	for p.Typical().Stage != "pupa" {
		if err := p.Advance(constant(p.Time(), 6*time.Hour, 26)); err != nil {
			t.Fatal(err)
		}
	}
	o, err := forecast.NewOutlook(air, forecast.AirUncertainty{}, p.Time(), 90*24*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	days, err := ShipPupae(p, o, Shipping{TransitC: 20, Transit: 48 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if len(days) < 6 {
		t.Fatalf("%d days to ship on", len(days))
	}
	// Pupae need 120 degree-days above 10 °C on average: 12 days at 20 °C. On
	// the first day those fit to travel have rested two days at 26 °C (32
	// degree-days) and travel two more (20): 6.8 days are left, less for those
	// that pupated before.
	first := days[0]
	if first.DaysLeft > 6.8 || first.DaysLeft < 5 || first.Least > first.DaysLeft || first.Most < first.DaysLeft || first.Never {
		t.Errorf("first day %+v", first)
	}
	if last := days[len(days)-1]; last.Emerging < 0.02 || last.Fit {
		t.Errorf("on the last day %+v none emerge on the way", last)
	}
	fit := 0
	for _, d := range days {
		if d.Ready > 60+1e-9 || d.Emerging < 0 || d.Emerging > 1 || d.Fit != (d.Emerging <= 0.02) {
			t.Errorf("%+v", d)
		}
		if d.Fit {
			fit++
		}
	}
	if fit == 0 {
		t.Error("no day is fit for shipping")
	}
	cold, err := ShipPupae(p, o, Shipping{TransitC: 10, Transit: 48 * time.Hour})
	if err != nil || !cold[0].Never || cold[0].DaysLeft != 0 || cold[0].Emerging != 0 {
		t.Errorf("below the threshold %+v, %v", cold[0], err)
	}
	if _, err := ShipPupae(p, o, Shipping{TransitC: 20}); err == nil {
		t.Error("a transit of no time was accepted")
	}
}

func TestHostPlantAddsUpToWhatLarvaeEat(t *testing.T) {
	sp := speciestest.Named(t, "bombyx-mori")
	food := FoodByStage(sp, 20)
	sum := 0.0
	for id, g := range food {
		if !strings.HasPrefix(string(id), "larva-") || g <= 0 {
			t.Errorf("%s eats %v g", id, g)
		}
		sum += g
	}
	if math.Abs(sum-20) > 0.3 || food["larva-5"] != 16 {
		t.Errorf("food by stage %v adds up to %v, want 20", food, sum)
	}
	p := newProgress(t, sp)
	o := outlook(t, forecast.ConstantAir(26), forecast.AirUncertainty{DayMeanSDC: 1, Persistence: 0.5}, 90)
	total := func() (grams, peak float64) {
		days, err := HostPlant(p, o, time.UTC, food)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range days {
			grams += d.Grams
			peak = math.Max(peak, d.Larvae)
			if d.Low > d.Grams || d.High < d.Grams || d.Larvae > 60+1e-9 {
				t.Errorf("%+v", d)
			}
		}
		return grams, peak
	}
	// 93 % of the eggs hatch.
	if grams, peak := total(); math.Abs(grams-60*0.93*sum) > 1 || peak < 52 {
		t.Errorf("60 eggs lead to %v g eaten, want %v; at most %v feed at once", grams, 60*0.93*sum, peak)
	}
	// Half through the last instar about half of its food is left.
	for {
		if ty := p.Typical(); ty.Stage == "larva-5" && ty.StageProgress >= 0.5 {
			break
		}
		_ = p.Advance(constant(p.Time(), time.Hour, 26))
	}
	if grams, _ := total(); grams < 60*16*0.35 || grams > 60*16*0.65 {
		t.Errorf("half through the last instar %v g are left of %v", grams, 60*16)
	}
}

func TestShiftingEmergence(t *testing.T) {
	sp := speciestest.Named(t, "vanessa-cardui")
	p := newProgress(t, sp)
	_ = p.Advance(constant(t0, 12*24*time.Hour, 24))
	target := p.Time().Add(25 * 24 * time.Hour)
	options, err := ShiftEmergence(p, target, forecast.AirUncertainty{DayMeanSDC: 0.3, Persistence: 0.5}, 120*24*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	best := options[0]
	if best.Median.Sub(target).Abs() > 48*time.Hour || best.ByTarget < 0.2 || best.ByTarget > 0.8 {
		t.Errorf("best option %+v for %v", best, target)
	}
	byC := map[float64]ShiftOption{}
	for _, o := range options {
		byC[o.SetPointC] = o
		if (o.Risk != "") != (o.MarginC < wideMarginC) || o.SetPointC < 8 || o.SetPointC > 33 {
			t.Errorf("%+v", o)
		}
	}
	if !byC[28].Median.Before(byC[22].Median) {
		t.Error("warmer is not sooner")
	}
	if r := byC[33].Risk; !strings.Contains(r, "heat limit") || !strings.Contains(r, "assumed") {
		t.Errorf("risk at 33 °C: %q", r)
	}
	if _, err := ShiftEmergence(p, t0, forecast.AirUncertainty{}, time.Hour*24); err == nil {
		t.Error("a target in the past was accepted")
	}
	bare, err := speciestest.Overlay(t, "- id: x-y\n  common_name: X\n  stages:\n    - {id: egg, lower_celsius: 10, requirement_degree_days: 5}\n    - id: adult\n")
	if err != nil {
		t.Fatal(err)
	}
	x, _ := bare.Species("x-y")
	if _, err := ShiftEmergence(newProgress(t, x), t0.Add(time.Hour), forecast.AirUncertainty{}, 24*time.Hour); !errors.Is(err, errNoSafeRange) {
		t.Errorf("without limits: %v, want errNoSafeRange", err)
	}
}
