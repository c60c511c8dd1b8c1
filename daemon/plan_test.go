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

	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
)

// planned is a facility with ten days of air, monarchs in the nursery that
// pupate about now, and fresh eggs in the hall.
func planned(t *testing.T) (*rig, *Snapshot) {
	t.Helper()
	text := strings.ReplaceAll(testFacility, "interval: 60s", "interval: 15m")
	text = strings.Replace(text, "{id: hall, name: Hall}", `{id: hall, name: Hall, set_points: [{from: "07:00", celsius: 23}, {from: "19:00", celsius: 19}]}`, 1)
	r := newRigOf(t, text)
	at := testStart
	for m := range 10*24*4 + 1 {
		at = testStart.Add(time.Duration(m) * 15 * time.Minute)
		wave := 0.5 * math.Sin(2*math.Pi*float64(m)/96)
		r.air(at, math.Round(100*(27+wave))/100, 70+wave)
		r.send("t/hall/a", fmt.Sprintf("%.2f", 21+4*wave), at.Add(5*time.Second))
		r.ticks <- at.Add(10 * time.Second)
	}
	add := func(id rearing.CohortID, start time.Time, stage rearing.StageID, n int) {
		r.do(AddCohort{Who: "keeper", Cohort: rearing.Cohort{
			ID: id, Species: "danaus-plexippus", Start: start, StartStage: stage, Individuals: n,
			Placements: []rearing.Placement{{Room: "nursery", From: start}},
		}})
	}
	add("old", testStart.Add(2*time.Hour), "larva-5", 60)
	add("eggs", at.Add(-24*time.Hour), "egg", 100)
	s := r.tick(at.Add(10 * time.Minute))
	return r, s
}

func TestPlansFromASnapshot(t *testing.T) {
	r, s := planned(t)
	if got := s.Rooms[0].Expected; got == nil || got.From != AirFromDays || got.Days < 8 || math.Abs(meanOf(got.Air, s.Time)-27) > 0.2 {
		t.Fatalf("nursery expects %+v", got)
	}
	if got := s.Rooms[1].Expected; got == nil || got.From != AirFromSetPoints || math.Abs(got.Air.TemperatureC(s.Time.Add(20*24*time.Hour).Truncate(24*time.Hour).Add(12*time.Hour))-23) > 0.1 {
		t.Fatalf("hall expects %+v", got)
	}
	if b := s.Rooms[0].Bending; len(b) == 0 || b[0].Days < 8 || math.Abs(b[0].Relative) > 0.05 {
		t.Errorf("error of daily means in the nursery %+v", b)
	}

	by := s.Time.Add(45 * 24 * time.Hour)
	request := EmergenceRequest{Species: "danaus-plexippus", EggRequest: rearing.EggRequest{Emergences: 60, By: by, Survival: 0.7, SurvivalSD: 0.1}}
	options, err := s.PlanEmergences(request)
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
	for name, req := range map[string]EmergenceRequest{
		"no species": {Species: "x", EggRequest: request.EggRequest},
		"no room":    {Species: request.Species, Air: PlanAir{Room: "attic"}, EggRequest: request.EggRequest},
		"past":       {Species: request.Species, EggRequest: rearing.EggRequest{Emergences: 5, By: s.Time}},
		"no number":  {Species: request.Species, EggRequest: rearing.EggRequest{By: by}},
	} {
		if _, err := s.PlanEmergences(req); !errors.Is(err, ErrPlan) {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
	request.Air = PlanAir{Celsius: &hot}
	if options, err := s.PlanEmergences(request); err != nil || !strings.Contains(strings.Join(options[0].Risks, " "), "heat limit") {
		t.Errorf("50 °C: %+v, %v", options, err)
	}

	shipping, err := s.PlanShipping("old", rearing.Shipping{TransitC: 18, Transit: 36 * time.Hour})
	if err != nil || len(shipping) < 3 || shipping[0].Ready < 1 {
		t.Errorf("shipping %+v, %v", shipping, err)
	}
	food, err := s.PlanFood(FoodRequest{Species: "danaus-plexippus", GramsPerLarva: 12})
	if err != nil || len(food) < 5 {
		t.Fatalf("food %+v, %v", food, err)
	}
	for _, d := range food {
		if d.LowG > d.Grams || d.HighG < d.Grams || d.LowG < 0 {
			t.Errorf("food %+v", d)
		}
	}

	to := s.Cohorts[0].Expected[len(s.Cohorts[0].Expected)-1].Median.Add(3 * 24 * time.Hour)
	shift, err := s.PlanShift(ShiftRequest{Cohort: "old", To: to})
	if err != nil {
		t.Fatal(err)
	}
	if best := shift.Options[0]; best.Median.Sub(to).Abs() > 36*time.Hour || best.SetPointC >= 27 || best.SetPointC < shift.LowC || len(shift.Cautions) < 3 {
		t.Errorf("shift by three days: %+v", shift)
	}
	for _, c := range []float64{shift.LowC - 1, shift.HighC + 1} {
		if _, err := s.PlanShift(ShiftRequest{Cohort: "old", To: to, Celsius: &c}); !errors.Is(err, ErrPlan) || !strings.Contains(err.Error(), "outside the safe limits") {
			t.Errorf("%v °C: %v, want a refusal", c, err)
		}
	}
	if _, err := s.PlanShipping("nobody", rearing.Shipping{TransitC: 18, Transit: time.Hour}); !errors.Is(err, ErrPlan) {
		t.Errorf("unknown cohort: %v", err)
	}

	// The records tell another process the same.
	r.do(RecordCount{Count: rearing.Count{Cohort: "eggs", Time: s.Time, Stage: "egg", Seen: 80, Of: 80, By: "keeper"}})
	live := r.engine.Snapshot()
	r.stop()
	reader, err := records.OpenReader(t.Context(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	catalog, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	looked, err := Look(t.Context(), r.facility, catalog, reader, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(live.Cohorts, looked.Cohorts); d != "" {
		t.Errorf("cohorts read from the records differ:\n%s", d)
	}
	check, err := CheckCounts(t.Context(), ReplayOptions{Facility: r.facility, Catalog: catalog, Records: reader, Logger: slog.New(slog.DiscardHandler)})
	if err != nil || check.Counts != 1 || check.Inside != 1 {
		t.Errorf("counts of the records: %+v, %v", check, err)
	}
}
