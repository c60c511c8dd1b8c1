package study

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/development/fitting"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
)

var begin = time.Date(2026, 4, 1, 6, 0, 0, 0, time.UTC)

func monarch(t *testing.T) *species.Species {
	t.Helper()
	sp, ok := speciestest.Library(t).Species("danaus-plexippus")
	if !ok {
		t.Fatal("no monarch in the library")
	}
	return sp
}

func hours(h float64) time.Time { return begin.Add(time.Duration(h * float64(time.Hour))) }

func seen(h float64, stage species.StageID, n, of int, beyond bool) population.Count {
	return population.Count{Time: hours(h), Stage: stage, Seen: n, Of: of, OrBeyond: beyond}
}

func TestCrossingsFromCounts(t *testing.T) {
	sp := monarch(t)
	cohort := &population.Cohort{ID: "c", Species: sp.ID, Start: begin, StartStage: "egg", Individuals: 40}
	cases := map[string]struct {
		counts []population.Count
		want   map[species.StageID]float64
		doubt  float64 // of the last crossing, in hours
	}{
		"between two shares":        {[]population.Count{seen(80, "larva-1", 10, 40, true), seen(92, "larva-1", 30, 40, true)}, map[species.StageID]float64{"larva-1": 86}, 12 / math.Sqrt(12)},
		"rest still in the stage":   {[]population.Count{seen(80, "egg", 30, 40, false), seen(92, "egg", 10, 40, false)}, nil, 0},
		"two stages in one round":   {[]population.Count{seen(80, "egg", 30, 40, false), seen(80.1, "larva-1", 10, 40, false), seen(92, "larva-1", 40, 40, false)}, map[species.StageID]float64{"larva-1": 85.3}, 3.5},
		"nothing before":            {[]population.Count{seen(96, "larva-1", 40, 40, false)}, map[species.StageID]float64{"larva-1": 48}, 96 / math.Sqrt(12)},
		"undone":                    {[]population.Count{{Time: hours(90), Stage: "larva-1", Seen: 40, Of: 40, Undone: true}}, nil, 0},
		"contradiction":             {[]population.Count{seen(80, "larva-1", 30, 40, true), seen(92, "larva-1", 5, 40, true)}, nil, 0},
		"a stage that nobody saw":   {[]population.Count{seen(80, "larva-1", 40, 40, false), seen(160, "larva-3", 40, 40, false)}, map[species.StageID]float64{"larva-1": 40, "larva-2": 120, "larva-3": 120}, 80 / math.Sqrt(12)},
		"lower bound without total": {[]population.Count{seen(80, "larva-1", 2, 0, false), {Time: hours(90), Stage: "larva-1", Seen: 35}}, map[species.StageID]float64{"larva-1": 45}, 90 / math.Sqrt(12)},
	}
	for name, c := range cases {
		got := map[species.StageID]float64{}
		last := crossing{}
		for _, x := range crossings(sp, cohort, c.counts)[1:] {
			got[x.Stage] = x.At.Sub(begin).Hours()
			last = x
		}
		for stage, want := range c.want {
			// Two stages crossed between the same counts cannot be told apart.
			if h, ok := got[stage]; name != "a stage that nobody saw" && (!ok || math.Abs(h-want) > 6) {
				t.Errorf("%s: %s entered after %v hours, want %v", name, stage, h, want)
			}
		}
		if len(c.want) == 0 && len(got) > 0 && name != "rest still in the stage" {
			t.Errorf("%s: %v, want nothing", name, got)
		}
		if len(c.want) > 0 && math.Abs(last.Doubt.Hours()-c.doubt) > 0.6 {
			t.Errorf("%s: doubt %.1f hours, want %.1f", name, last.Doubt.Hours(), c.doubt)
		}
	}
}

func TestObserveLeavesOutWhatIsTooDoubtful(t *testing.T) {
	sp := monarch(t)
	cohort := &population.Cohort{ID: "c", Species: sp.ID, Start: begin, StartStage: "egg", Individuals: 40}
	mean := func(time.Time, time.Time) (float64, bool) { return 24, true }
	sharp := []population.Count{seen(80, "larva-1", 10, 40, true), seen(92, "larva-1", 30, 40, true)}
	if got := Observe(sp, cohort, sharp, mean); len(got) != 1 || math.Abs(got[0].Days-86/24.0) > 0.01 || got[0].TemperatureC != 24 || got[0].Until != "larva-1" {
		t.Errorf("%+v", got)
	}
	if got := Observe(sp, cohort, []population.Count{seen(96, "larva-1", 40, 40, false)}, mean); len(got) != 0 {
		t.Errorf("a single count taught %+v", got)
	}
	if got := Observe(sp, cohort, sharp, func(time.Time, time.Time) (float64, bool) { return 0, false }); len(got) != 0 {
		t.Errorf("unknown air taught %+v", got)
	}
}

// Durations of Helicoverpa armigera larvae from 15 to 35 °C, Noor-ul-Ane et
// al. 2018 (Bull. Entomol. Res. 108:295); they publish a threshold of 11.1 °C
// and 247.7 degree-days.
func TestFitsReproducePublishedLine(t *testing.T) {
	var all []Observation
	for i, p := range [][2]float64{{15, 70.2}, {17.5, 49.7}, {20, 25.3}, {25, 15.9}, {27.5, 15.1}, {30, 13.2}, {35, 10.8}} {
		all = append(all, Observation{
			Cohort: population.CohortID(rune('a' + i)), Species: "helicoverpa-armigera", Stage: "larva-1", Until: "prepupa", TemperatureC: p[0], Days: p[1],
		})
	}
	lib := speciestest.Library(t)
	sp, _ := lib.Species("helicoverpa-armigera")
	if _, ok := sp.StageIndex("prepupa"); !ok {
		for i := range all {
			all[i].Until = "pupa"
		}
	}
	fits := WithCurves(Fits(lib, all))
	if len(fits) != 1 || fits[0].Regression == nil || fits[0].IkemotoTakai == nil {
		t.Fatalf("%+v", fits)
	}
	f := fits[0]
	if r := f.Regression; math.Abs(r.ThresholdC-11.1) > 0.05 || math.Abs(r.Requirement-247.7) > 0.6 || math.Abs(r.ThresholdSE()-0.973) > 0.001 {
		t.Errorf("regression %.3f ± %.3f °C, %.2f degree-days", r.ThresholdC, r.ThresholdSE(), r.Requirement)
	}
	if i := f.IkemotoTakai; math.Abs(i.ThresholdC-12.052) > 0.005 || math.Abs(i.Requirement-228.95) > 0.05 {
		t.Errorf("Ikemoto-Takai %.3f °C, %.2f degree-days", i.ThresholdC, i.Requirement)
	}
	if len(f.Curves) < 2 || f.Curves[0].PerDay(30) < 0.05 || f.Curves[0].PerDay(30) > 0.1 {
		t.Errorf("%d nonlinear fits, the best gives %v a day at 30 °C", len(f.Curves), f.Curves)
	}
	stages, err := f.Constants(sp, OwnRegression)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for _, st := range stages {
		sum += st.Requirement
		if math.Abs(st.LowerC-f.Regression.ThresholdC) > 0.01 || st.Method != species.Regression || !strings.Contains(st.Source, "7 own cohorts") {
			t.Errorf("%+v", st)
		}
	}
	if math.Abs(sum-f.Regression.Requirement) > 0.1 {
		t.Errorf("stages add up to %.2f degree-days of %.2f", sum, f.Regression.Requirement)
	}
	if adopted, err := lib.With([]species.Entry{species.Adopted(sp.ID, stages, 0.05)}); err != nil {
		t.Error(err)
	} else if sp, _ := adopted.Species(sp.ID); sp.RateSpread != 0.05 {
		t.Errorf("rate spread %v", sp.RateSpread)
	}
}

// With few cohorts the proposal stays near the starting values, with many it
// comes to what the facility sees, whose truth lies elsewhere.
func TestProposalMovesFromStartToTruth(t *testing.T) {
	lib := speciestest.Library(t)
	sp := monarch(t)
	key := Key{sp.ID, "pupa", "adult"}
	start, ok := Start(sp, key)
	if !ok {
		t.Fatal("the pupa has no threshold and requirement")
	}
	truth, err := fitting.NewEstimate(fitting.Assumed, start.ThresholdC-2, 1, start.Requirement*1.35, 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 9))
	var all []Observation
	off := func(n int) float64 {
		f, ok := FitOf(lib, all[:n], key)
		if !ok || f.Proposal == nil {
			t.Fatalf("%d observations: %+v", n, f)
		}
		worst := 0.0
		for _, c := range []float64{20, 24, 28} {
			got, _ := f.Proposal.Days(c)
			want, _ := truth.Days(c)
			worst = math.Max(worst, math.Abs(got/want-1))
		}
		return worst
	}
	for i := range 60 {
		c := 19 + 10*rng.Float64()
		days, _ := truth.Days(c)
		all = append(all, Observation{Cohort: population.CohortID(rune(i)), Species: sp.ID, Stage: "pupa", Until: "adult",
			TemperatureC: c, Days: days * math.Exp(0.06*rng.NormFloat64()), DoubtDays: 0.3})
	}
	few, many := off(2), off(60)
	t.Logf("worst error of a duration: %.1f %% after 2 cohorts, %.1f %% after 60", 100*few, 100*many)
	if many > 0.04 || few < 2*many {
		t.Errorf("worst error %.3f after 2 cohorts, %.3f after 60", few, many)
	}
	if s := RateSpread(sp, nil); s != round(sp.RateSpread, 4) {
		t.Errorf("without cohorts the spread is %v, want the entry's %v", s, sp.RateSpread)
	}
}

func TestTheFacilitysOwnEntryWins(t *testing.T) {
	entries, err := species.Parse("facility.yaml", []byte("- id: danaus-plexippus\n  stages:\n    - {id: egg, lower_celsius: 11, requirement_degree_days: 47}\n"))
	if err != nil {
		t.Fatal(err)
	}
	starting, err := speciestest.Library(t).With(entries)
	if err != nil {
		t.Fatal(err)
	}
	l := &Learning{Decisions: []Decision{{Key: Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}, Adopted: true, Stages: []species.StageConstants{
		{Stage: "egg", LowerC: 9, Requirement: 40, Method: species.Regression, Source: "own"},
		{Stage: "larva-1", LowerC: 9, Requirement: 30, Method: species.Regression, Source: "own"},
	}}}}
	catalog, err := l.Apply(starting)
	if err != nil {
		t.Fatal(err)
	}
	sp, _ := catalog.Species("danaus-plexippus")
	if sp.Stages[0].Requirement != 47 || sp.Stages[1].Requirement != 30 {
		t.Errorf("egg %v, first instar %v degree-days; want 47 of the entry and 30 adopted", sp.Stages[0].Requirement, sp.Stages[1].Requirement)
	}
}
