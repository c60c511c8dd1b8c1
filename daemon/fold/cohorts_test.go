package fold

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
)

// A forecast needs a cohort and air to go by, and is made every ten minutes
// where nothing else is said.
func TestForecastOfACohort(t *testing.T) {
	o := testOptions(t, foldtest.Facility)
	o.ForecastEvery = 0
	b := &scene{box: newBox(t, o), t: t, now: testStart}
	refused := func(why string) {
		t.Helper()
		if f, err := b.fold.Forecast("m"); f != nil || err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("forecast %v, %v; want none, because %s", f, err, why)
		}
	}
	refused(`there is no cohort "m" in rearing`)
	b.cohort("egg")
	refused("cohort m has no forecast")
	b.air(2, 25, 70)
	var made []*forecast.Forecast
	var at []string
	for range 25 {
		b.wait(time.Minute)
		if f, err := b.fold.Forecast("m"); err == nil && (made == nil || f != made[len(made)-1]) {
			made, at = append(made, f), append(at, b.now.Format("15:04"))
		}
	}
	if want := []string{"08:10", "08:20"}; !slices.Equal(at, want) {
		t.Errorf("forecasts made at %v, want %v", at, want)
	}
}

// What is expected of a room's air is said as soon as enough of it is known, and
// does not wait for the next forecasts.
func TestExpectedAirDoesNotWait(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.air(30, 25, 70)
	if s := b.Snapshot(); s.Rooms[0].Expected == nil || s.Rooms[1].Expected != nil {
		t.Errorf("expected of the air are %v where there are readings, %v where there are none", s.Rooms[0].Expected, s.Rooms[1].Expected)
	}
}

// An alarm of a room names the cohorts that stand there, and no others. Those
// that are closed are gone, and the rest goes on.
func TestCohortsAtRiskAreThoseInTheRoom(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	second, other := monarchs("n", "larva-3", 10, b.now), monarchs("h", "larva-3", 10, b.now)
	other.Cohort.Placements[0].Room = "hall"
	b.do(second)
	b.do(other)
	b.air(30, 40, 70)
	want := func(ids ...population.CohortID) {
		t.Helper()
		if a := b.active(conditions.Heat); a == nil || !slices.Equal(a.Cohorts, ids) {
			t.Errorf("heat in the nursery is %+v, want one that puts %v at risk", a, ids)
		}
	}
	want("m", "n")
	b.do(EndCohort{Cohort: "m", At: b.now, Who: "keeper"})
	want("n")
	b.do(MoveCohort{Cohort: "h", Room: "nursery", At: b.now, Who: "keeper"})
	want("n", "h")
}
