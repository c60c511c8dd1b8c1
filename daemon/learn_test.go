package daemon

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/study"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// eggs lets a cohort of eggs hatch in a room at a constant temperature, with
// counts six hours before and after half of them have, and ends it.
func eggs(id population.CohortID, room sensors.RoomID, begin time.Time, days float64) []fold.Command {
	half := begin.Add(time.Duration(days * 24 * float64(time.Hour)))
	count := func(at time.Time, seen int) fold.RecordCount {
		return fold.RecordCount{Count: population.Count{Cohort: id, Time: at, Stage: "larva-1", Seen: seen, Of: 50, OrBeyond: true, By: "keeper"}}
	}
	return []fold.Command{
		fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
			ID: id, Species: "danaus-plexippus", Start: begin, StartStage: "egg", Individuals: 50,
			Placements: []population.Placement{{Room: room, From: begin}},
		}},
		count(half.Add(-6*time.Hour), 10),
		count(half.Add(6*time.Hour), 40),
		fold.EndCohort{Cohort: id, At: half.Add(8 * time.Hour), Who: "keeper"},
	}
}

// hatchDays is the truth of the invented eggs.
func hatchDays(c float64) float64 { return 45 / (c - 9) }

// lesson gives a rig eight days of steady rooms and two finished cohorts of
// eggs in each.
func lesson(r *rig) {
	at := testStart
	for m := range 8*24*4 + 1 {
		at = testStart.Add(time.Duration(m) * 15 * time.Minute)
		// A value that never moves would be taken for a stuck sensor.
		wave := 0.5 * math.Sin(2*math.Pi*float64(m)/96)
		r.air(at, math.Round(100*(25+wave))/100, 70+wave)
		r.send("t/hall/a", fmt.Sprintf("%.2f", 20+wave), at.Add(5*time.Second))
		r.ticks <- timekeeping.Right(at.Add(10 * time.Second))
	}
	r.tick(at)
	for i, room := range []struct {
		id sensors.RoomID
		c  float64
	}{{"nursery", 25}, {"hall", 20}} {
		for k, off := range []float64{1, 1.04} {
			begin := testStart.Add(time.Duration(6+3*k) * time.Hour)
			for _, c := range eggs(population.CohortID(fmt.Sprintf("eggs-%d-%d", i, k)), room.id, begin, off*hatchDays(room.c)) {
				r.do(c)
			}
		}
	}
	r.tick(at.Add(time.Minute))
}

var eggKey = study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}

func TestFinishedCohortsTeach(t *testing.T) {
	foldtest.WithoutRace(t)
	// Sensors report every 15 minutes here.
	r := newRigOf(t, strings.ReplaceAll(foldtest.Facility, "interval: 60s", "interval: 15m"))
	lesson(r)
	s := r.engine.Snapshot()
	if n := len(s.Learning.Observations); n != 4 {
		t.Fatalf("%d observations: %+v", n, s.Learning.Observations)
	}
	for _, o := range s.Learning.Observations {
		if o.Key() != eggKey || math.Abs(o.TemperatureC-25) > 0.2 && math.Abs(o.TemperatureC-20) > 0.2 ||
			math.Abs(o.Days/hatchDays(math.Round(o.TemperatureC))-1) > 0.06 {
			t.Errorf("observation %+v", o)
		}
	}
	fit, ok := study.FitOf(s.Starting, s.Learning.Observations, eggKey)
	if !ok || fit.Proposal == nil || fit.Regression == nil {
		t.Fatalf("fit of two temperatures: %+v", fit)
	}
	days := func(c *species.Catalog) float64 {
		sp, _ := c.Species("danaus-plexippus")
		return sp.Stages[0].Requirement / sp.Stages[0].Rate.PerDay(20)
	}
	before := days(s.Catalog)

	r.monarchs(testStart.Add(time.Hour))
	refusals := map[string]fold.Command{
		"nobody": fold.AdoptConstants{Key: eggKey, Fit: study.Corrected, Observations: 4},
		"stale":  fold.AdoptConstants{Key: eggKey, Fit: study.Corrected, Observations: 3, Who: "lead"},
		"no fit": fold.AdoptConstants{Key: eggKey, Fit: "best", Observations: 4, Who: "lead"},
		"no key": fold.RefuseConstants{Key: study.Key{Species: "danaus-plexippus", Stage: "pupa", Until: "adult"}, Who: "lead"},
	}
	for name, c := range refusals {
		if err := r.engine.Do(t.Context(), c); !errors.Is(err, fold.ErrRefused) {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
	r.do(fold.AdoptConstants{Key: eggKey, Fit: study.Corrected, Observations: 4, Who: "lead"})
	adopted := r.engine.Snapshot()
	sp, _ := adopted.Catalog.Species("danaus-plexippus")
	after, truth := days(adopted.Catalog), 1.02*hatchDays(20)
	if math.Abs(after-truth) > 0.6*math.Abs(before-truth) {
		t.Errorf("eggs at 20 °C take %.2f days: %.2f before, %.2f after adopting", truth, before, after)
	}
	if !strings.Contains(string(sp.Origin), "facility") || !strings.Contains(sp.Stages[0].Source, "4 own cohorts") || sp.Stages[0].Assumed {
		t.Errorf("origin %q, source %q", sp.Origin, sp.Stages[0].Source)
	}
	running := adopted.Cohorts[0]
	if got := running.Progress.Species().Stages[0].Requirement; got != sp.Stages[0].Requirement {
		t.Errorf("the cohort being reared goes by %v degree-days, adopted are %v", got, sp.Stages[0].Requirement)
	}

	// A restart, a replay of everything and the command line agree.
	r.stop()
	told, err := lookback.LoadLearning(t.Context(), r.reader())
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(adopted.Learning, told); d != "" {
		t.Errorf("learning in the records differs:\n%s", d)
	}
	replayed := r.replayed()
	if d := cmp.Diff(adopted.Learning, replayed.Final.Learning); d != "" {
		t.Errorf("replayed learning differs:\n%s", d)
	}
	if !running.Progress.Equal(replayed.Final.Cohorts[0].Progress) {
		t.Error("replayed progress differs")
	}
	r.start(adopted.Time.Add(time.Minute))
	again := r.engine.Snapshot()
	if d := cmp.Diff(adopted.Learning, again.Learning); d != "" {
		t.Errorf("learning after a restart differs:\n%s", d)
	}
	if days(again.Catalog) != after || !running.Progress.Equal(again.Cohorts[0].Progress) {
		t.Error("constants or progress after a restart differ")
	}
	r.do(fold.RefuseConstants{Key: eggKey, Observations: 4, Who: "lead"})
	if got := days(r.engine.Snapshot().Catalog); got != before {
		t.Errorf("after taking them back eggs take %v days, want %v", got, before)
	}
}
