package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/lookback"
	"rearguard/daemon/planning"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/husbandry"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
)

// planned is a facility with ten days of air, monarchs in the nursery that
// pupate about now, and fresh eggs in the hall.
func planned(t *testing.T) (*rig, *snapshot.Snapshot) {
	t.Helper()
	text := strings.ReplaceAll(foldtest.Facility, "interval: 60s", "interval: 15m")
	text = strings.Replace(text, "{id: hall, name: Hall}", `{id: hall, name: Hall, set_points: [{from: "07:00", celsius: 23}, {from: "19:00", celsius: 19}]}`, 1)
	r := newRigOf(t, text)
	at := testStart
	for m := range 10*24*4 + 1 {
		at = testStart.Add(time.Duration(m) * 15 * time.Minute)
		wave := 0.5 * math.Sin(2*math.Pi*float64(m)/96)
		r.air(at, math.Round(100*(27+wave))/100, 70+wave)
		r.send("t/hall/a", fmt.Sprintf("%.2f", 21+4*wave), at.Add(5*time.Second))
		r.ticks <- timekeeping.Right(at.Add(10 * time.Second))
	}
	add := func(id population.CohortID, start time.Time, stage species.StageID, n int) {
		r.do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
			ID: id, Species: "danaus-plexippus", Start: start, StartStage: stage, Individuals: n,
			Placements: []population.Placement{{Room: "nursery", From: start}},
		}})
	}
	add("old", testStart.Add(2*time.Hour), "larva-5", 60)
	add("eggs", at.Add(-24*time.Hour), "egg", 100)
	s := r.tick(at.Add(10 * time.Minute))
	return r, s
}

func TestPlansFromASnapshot(t *testing.T) {
	foldtest.WithoutRace(t)
	r, s := planned(t)
	if got := s.Rooms[0].Expected; got == nil || got.From != snapshot.AirFromDays || got.Days < 8 || math.Abs(meanOfDay(got.Air, s.Time)-27) > 0.2 {
		t.Fatalf("nursery expects %+v", got)
	}
	if got := s.Rooms[1].Expected; got == nil || got.From != snapshot.AirFromSetPoints || math.Abs(got.Air.TemperatureC(s.Time.Add(20*24*time.Hour).Truncate(24*time.Hour).Add(12*time.Hour))-23) > 0.1 {
		t.Fatalf("hall expects %+v", got)
	}
	if b := s.Rooms[0].Bending; len(b) == 0 || b[0].Days < 8 || math.Abs(b[0].Relative) > 0.05 {
		t.Errorf("error of daily means in the nursery %+v", b)
	}

	by := s.Time.Add(45 * 24 * time.Hour)
	request := planning.EmergenceRequest{Species: "danaus-plexippus", EggRequest: husbandry.EggRequest{Emergences: 60, By: by, Survival: 0.7, SurvivalSD: 0.1}}
	options, err := planning.Emergences(s, request)
	if err != nil {
		t.Fatal(err)
	}
	if len(options) != 2 || len(options[0].Plans) == 0 {
		t.Fatalf("%+v", options)
	}
	best := options[0].Plans[0]
	if best.Chance < 0.8 || best.Eggs < 80 || best.Eggs > 200 || !best.LayOn.After(s.Time.Add(-time.Hour)) || !best.LayOn.Before(by) || len(options[0].Risks) == 0 {
		t.Errorf("%+v", options[0])
	}
	hot := 50.0
	for name, req := range map[string]planning.EmergenceRequest{
		"no species": {Species: "x", EggRequest: request.EggRequest},
		"no room":    {Species: request.Species, Air: planning.Air{Room: "attic"}, EggRequest: request.EggRequest},
		"past":       {Species: request.Species, EggRequest: husbandry.EggRequest{Emergences: 5, By: s.Time}},
		"no number":  {Species: request.Species, EggRequest: husbandry.EggRequest{By: by}},
	} {
		if _, err := planning.Emergences(s, req); !errors.Is(err, planning.ErrNone) {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
	request.Air = planning.Air{Celsius: &hot}
	if options, err := planning.Emergences(s, request); err != nil || !strings.Contains(strings.Join(options[0].Risks, " "), "heat limit") {
		t.Errorf("50 °C: %+v, %v", options, err)
	}

	shipping, err := planning.Shipping(s, "old", husbandry.Shipping{TransitC: 18, Transit: 36 * time.Hour})
	if err != nil || len(shipping) < 3 || shipping[0].Ready < 1 {
		t.Errorf("shipping %+v, %v", shipping, err)
	}
	food, err := planning.Food(s, planning.FoodRequest{Species: "danaus-plexippus", GramsPerLarva: 12})
	if err != nil || len(food) < 5 {
		t.Fatalf("food %+v, %v", food, err)
	}
	for _, d := range food {
		if d.LowG > d.Grams || d.HighG < d.Grams || d.LowG < 0 {
			t.Errorf("food %+v", d)
		}
	}

	to := s.Cohorts[0].Expected[len(s.Cohorts[0].Expected)-1].Median.Add(3 * 24 * time.Hour)
	shift, err := planning.ShiftEmergence(s, planning.ShiftRequest{Cohort: "old", To: to})
	if err != nil {
		t.Fatal(err)
	}
	if best := shift.Options[0]; best.Median.Sub(to).Abs() > 36*time.Hour || best.SetPointC >= 27 || best.SetPointC < shift.LowC || len(shift.Cautions) < 3 {
		t.Errorf("shift by three days: %+v", shift)
	}
	for _, c := range []float64{shift.LowC - 1, shift.HighC + 1} {
		if _, err := planning.ShiftEmergence(s, planning.ShiftRequest{Cohort: "old", To: to, Celsius: &c}); !errors.Is(err, planning.ErrNone) || !strings.Contains(err.Error(), "outside the safe limits") {
			t.Errorf("%v °C: %v, want a refusal", c, err)
		}
	}
	if _, err := planning.Shipping(s, "nobody", husbandry.Shipping{TransitC: 18, Transit: time.Hour}); !errors.Is(err, planning.ErrNone) {
		t.Errorf("unknown cohort: %v", err)
	}

	// The records tell another process the same.
	r.do(fold.RecordCount{Count: population.Count{Cohort: "eggs", Time: s.Time, Stage: "egg", Seen: 80, Of: 80, By: "keeper"}})
	live := r.engine.Snapshot()
	r.stop()
	looked, err := lookback.LastSnapshot(t.Context(), r.facility, speciestest.Library(t), r.reader(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(live.Cohorts, looked.Cohorts); d != "" {
		t.Errorf("cohorts read from the records differ:\n%s", d)
	}
	replayed := r.replayed()
	verdicts := replayed.Progress["eggs"].Verdicts()
	if len(verdicts) != 1 || verdicts[0].Seen < verdicts[0].Low || verdicts[0].Seen > verdicts[0].High {
		t.Errorf("verdicts on the counts of the records: %+v", verdicts)
	}
}

// meanOfDay is the mean temperature in °C of the day after a time.
func meanOfDay(air forecast.Air, from time.Time) float64 {
	sum := 0.0
	for h := range 24 {
		sum += air.TemperatureC(from.Add(time.Duration(h) * time.Hour))
	}
	return sum / 24
}
