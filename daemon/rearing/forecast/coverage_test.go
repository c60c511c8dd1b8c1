package forecast

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"
	"time"

	"rearguard/daemon/rearing/internal/strata"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
)

// truth is one simulated cohort: what really happens, computed by plain steps
// through the hours with the rate at each half hour, independent of Progress.
type truth struct {
	species *species.Species
	start   time.Time
	// air is the real temperature at each hour.
	air []float64
	// entered[i][s] is when animal i enters stage s, in hours.
	entered [][]float64
	// forecastHour is when the forecast is made.
	forecastHour int
	pattern      Air
}

const simulatedAnimals = 50

// misreadShare is the share of animals that an invented keeper puts into the
// wrong stage.
const misreadShare = 0.03

// simulate draws a room, its weather and its animals, for a cohort whose rate
// is z standard deviations off its species'. With
// a stage effect each stage of the cohort is off by a factor of its own, which
// the model knows nothing of.
func simulate(rng *rand.Rand, sp *species.Species, doubt AirUncertainty, z, stageEffect float64) *truth {
	tr := &truth{species: sp, start: t0}
	mean, amplitude := 21+6*rng.Float64(), 1+3*rng.Float64()
	tr.pattern = dayAndNight(mean, amplitude, time.UTC)
	const days = 220
	errs := make([]float64, days+2)
	for d := range errs {
		z := rng.NormFloat64() * doubt.DayMeanSDC
		if d == 0 {
			errs[d] = z
			continue
		}
		errs[d] = doubt.Persistence*errs[d-1] + math.Sqrt(1-doubt.Persistence*doubt.Persistence)*z
	}
	for h := range days*24 + 1 {
		d, f := h/24, float64(h%24)/24
		tr.air = append(tr.air, tr.pattern.TemperatureC(t0.Add(time.Duration(h)*time.Hour))+errs[d]*(1-f)+errs[d+1]*f)
	}
	factor := math.Exp(z * sp.RateSpread)
	own := make([]float64, len(sp.Stages))
	for s := range own {
		own[s] = math.Exp(rng.NormFloat64() * stageEffect)
	}
	for range simulatedAnimals {
		entered := make([]float64, len(sp.Stages))
		s, need := 0, own[0]*sp.Stages[0].Requirement*sp.Stages[0].Distribution.Quantile(rng.Float64(), sp.Stages[0].Spread)/factor
		for h := 0; h < len(tr.air)-1 && s < len(sp.Stages)-1; h++ {
			left := 1.0
			for s < len(sp.Stages)-1 {
				perHour := sp.Stages[s].Rate.PerDay((tr.air[h]+tr.air[h+1])/2) / 24
				if need > perHour*left {
					need -= perHour * left
					break
				}
				left -= need / perHour
				s++
				entered[s] = float64(h) + 1 - left
				if s < len(sp.Stages)-1 {
					st := sp.Stages[s]
					need = own[s] * st.Requirement * st.Distribution.Quantile(rng.Float64(), st.Spread) / factor
				}
			}
		}
		tr.entered = append(tr.entered, entered)
	}
	// The time of the forecast must not depend on the truth.
	nominal := 0.0
	for _, st := range sp.Stages[:len(sp.Stages)-1] {
		nominal += 24 * st.Requirement / st.Rate.PerDay(24)
	}
	tr.forecastHour = int(nominal * (0.1 + 0.7*rng.Float64()))
	return tr
}

// counts are what a keeper notes every few days, some animals misread.
func (tr *truth) counts(rng *rand.Rand) []population.Count {
	var cs []population.Count
	for h := 24 * (2 + rng.IntN(4)); h < tr.forecastHour; h += 24 * (3 + rng.IntN(4)) {
		in := make([]int, len(tr.species.Stages))
		for _, e := range tr.entered {
			s := 0
			for s+1 < len(e) && e[s+1] <= float64(h) {
				s++
			}
			if rng.Float64() < misreadShare {
				s = min(max(0, s+1-2*rng.IntN(2)), len(e)-1)
			}
			in[s]++
		}
		main := 0
		for s := range in {
			if in[s] > in[main] {
				main = s
			}
		}
		of := 20 + rng.IntN(simulatedAnimals-20)
		seen := 0
		for _, k := range rng.Perm(simulatedAnimals)[:of] {
			if k < in[main] {
				seen++
			}
		}
		cs = append(cs, population.Count{ID: population.CountID(len(cs) + 1), Time: tr.start.Add(time.Duration(h) * time.Hour), Stage: tr.species.Stages[main].ID, Seen: seen, Of: of})
	}
	return cs
}

// replay moves a cohort from its start along the air up to the forecast, counts
// taken in at the full hours they are of.
func (tr *truth) replay(start *population.Progress, counts []population.Count) (*population.Progress, error) {
	p := start.Clone()
	for h := range tr.forecastHour {
		from := tr.start.Add(time.Duration(h) * time.Hour)
		for len(counts) > 0 && counts[0].Time.Equal(from) {
			if err := p.Count(counts[0]); err != nil {
				return nil, err
			}
			counts = counts[1:]
		}
		if err := p.Advance(population.Segment{From: from, To: from.Add(time.Hour), FromC: tr.air[h], ToC: tr.air[h+1]}); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// score gathers how forecasts compare with what came.
type score struct {
	inside, outcomes  int
	width, bias       float64
	errors, naive     []float64
	forecasts, events int
	// counts taken in, and those called a conflict although they were honest.
	counts, conflicts int
	daysInside, days  int
}

func (sc *score) take(tr *truth, f *Forecast) {
	sc.forecasts++
	naive := 0.0
	for s := 1; s < len(tr.species.Stages); s++ {
		naive += tr.species.Stages[s-1].Requirement / tr.species.Stages[s-1].Rate.PerDay(25) * 24
		e := f.Events[s-1]
		if e.Passed >= 0.1 || e.Late.IsZero() {
			continue
		}
		hoursOf := func(t time.Time) float64 { return t.Sub(tr.start).Hours() }
		var all []float64
		for _, entered := range tr.entered {
			all = append(all, entered[s])
			sc.outcomes++
			if entered[s] >= hoursOf(e.Early) && entered[s] <= hoursOf(e.Late) {
				sc.inside++
			}
		}
		sort.Float64s(all)
		median := all[len(all)/2]
		sc.events++
		sc.width += hoursOf(e.Late) - hoursOf(e.Early)
		sc.bias += hoursOf(e.Median) - median
		sc.errors = append(sc.errors, math.Abs(hoursOf(e.Median)-median))
		for _, x := range all {
			sc.naive = append(sc.naive, math.Abs(naive-x))
		}
	}
}

// takeDays compares the numbers of the days on which some were expected.
func (sc *score) takeDays(tr *truth, daily []DayNumbers) {
	for _, d := range daily {
		if d.Expected < 2 {
			continue
		}
		s, _ := tr.species.StageIndex(d.Stage)
		from := max(d.Day.Sub(tr.start).Hours(), float64(tr.forecastHour))
		n := 0
		for _, entered := range tr.entered {
			if entered[s] >= from && entered[s] < d.Day.Sub(tr.start).Hours()+24 {
				n++
			}
		}
		sc.days++
		// A number of animals is whole: half an animal is no miss.
		if float64(n) >= d.Low-0.5 && float64(n) <= d.High+0.5 {
			sc.daysInside++
		}
	}
}

// sharpness is the mean width of the 80 % interval against that which the
// naive date would need around it to hold 80 % of the animals.
func (sc *score) sharpness() float64 {
	sort.Float64s(sc.naive)
	return sc.width / float64(sc.events) / (2 * sc.naive[len(sc.naive)*8/10])
}

func (sc *score) coverage() float64 { return float64(sc.inside) / float64(sc.outcomes) }

// study simulates cohorts and forecasts each once without and once with counts.
func study(t *testing.T, cohorts int, stageEffect float64) (bare, counted score) {
	t.Helper()
	all := []species.ID{"danaus-plexippus", "vanessa-cardui", "morpho-peleides", "helicoverpa-armigera"}
	doubt := AirUncertainty{DayMeanSDC: 1.2, Persistence: 0.6}
	lib := speciestest.Library(t)
	rng := rand.New(rand.NewPCG(2026, 4))
	// The cohorts of a species take rates from equal strata of the normal
	// distribution: one hidden number a cohort would otherwise need thousands
	// of cohorts to average out.
	perSpecies := cohorts / len(all)
	places := rng.Perm(perSpecies)
	for i := range perSpecies * len(all) {
		z := strata.Normal((float64(places[i/len(all)]) + rng.Float64()) / float64(perSpecies))
		sp, _ := lib.Species(all[i%len(all)])
		tr := simulate(rng, sp, doubt, z, stageEffect)
		c := &population.Cohort{ID: "c", Species: sp.ID, Start: t0, StartStage: "egg", Individuals: simulatedAnimals}
		start, err := population.NewProgress(sp, c)
		if err != nil {
			t.Fatal(err)
		}
		for _, run := range []struct {
			score  *score
			counts []population.Count
		}{{&bare, nil}, {&counted, tr.counts(rng)}} {
			p, err := tr.replay(start, run.counts)
			if err != nil {
				t.Fatal(err)
			}
			o, err := NewOutlook(tr.pattern, doubt, p.Time(), 180*24*time.Hour)
			if err != nil {
				t.Fatal(err)
			}
			f, err := Make(p, o)
			if err != nil {
				t.Fatal(err)
			}
			run.score.take(tr, f)
			for _, v := range p.Verdicts() {
				run.score.counts++
				if v.Conflict {
					run.score.conflicts++
				}
			}
			daily, err := dailyNumbers(p, o, time.UTC)
			if err != nil {
				t.Fatal(err)
			}
			run.score.takeDays(tr, daily)
		}
	}
	for _, run := range []struct {
		name  string
		score *score
	}{{"without counts", &bare}, {"with counts", &counted}} {
		sc := run.score
		sort.Float64s(sc.errors)
		t.Logf("%d cohorts, %d events, %s: 80 %% interval holds %.1f %%, width %.2f d, bias of the median %+.2f d, median error %.2f d, width against naive mean days %.2f",
			sc.forecasts, sc.events, run.name, 100*sc.coverage(), sc.width/float64(sc.events)/24, sc.bias/float64(sc.events)/24,
			sc.errors[len(sc.errors)/2]/24, sc.sharpness())
	}
	t.Logf("%d of %d honest counts called a conflict; with counts the daily interval holds %.1f %% of %d days",
		counted.conflicts, counted.counts, 100*float64(counted.daysInside)/float64(counted.days), counted.days)
	return bare, counted
}

// With 2,000 cohorts instead of 200 the coverage is 78.6 % without and 81.0 %
// with counts.
func TestCoverageOfForecasts(t *testing.T) {
	bare, counted := study(t, 200, 0)
	for name, sc := range map[string]*score{"without counts": &bare, "with counts": &counted} {
		if c := sc.coverage(); c < 0.75 || c > 0.85 {
			t.Errorf("%s: the 80 %% interval holds %.1f %% of outcomes, want 75 to 85 %%", name, 100*c)
		}
		if s := sc.sharpness(); s > 0.8 {
			t.Errorf("%s: the interval is %.2f of the naive one", name, s)
		}
	}
	if counted.conflicts*20 > counted.counts {
		t.Errorf("%d of %d honest counts were called a conflict", counted.conflicts, counted.counts)
	}
	if share := float64(counted.daysInside) / float64(counted.days); share < 0.75 || share > 0.95 {
		t.Errorf("the 80 %% interval of daily numbers holds %.1f %% of days", 100*share)
	}
	if counted.width/float64(counted.events) >= bare.width/float64(bare.events) {
		t.Error("counts do not narrow the forecast")
	}
}

func TestForecastsHoldWhenStagesAreOff(t *testing.T) {
	_, counted := study(t, 80, 0.08)
	if c := counted.coverage(); c < 0.65 || c > 0.9 {
		t.Errorf("with every stage off by 8 %% the 80 %% interval holds %.1f %% of outcomes", 100*c)
	}
}
