package daemon

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/lookback"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/timekeeping"
)

func TestChangedLimitsAreLogged(t *testing.T) {
	r := newRig(t)
	r.tick(testStart.Add(time.Minute))
	r.stop()
	heat := 31.0
	r.facility.Rooms[0].Limits.HeatCelsius = &heat
	r.start(testStart.Add(time.Hour))
	s := r.tick(testStart.Add(time.Hour + time.Minute))
	if len(s.LimitChanges) != 1 || s.LimitChanges[0].What != "room nursery heat_celsius" || s.LimitChanges[0].To != "31" {
		t.Fatalf("changes %+v, want one to 31 °C in the nursery", s.LimitChanges)
	}
	r.stop()
	logged := 0
	for e, err := range r.reader().Journal(t.Context(), time.Time{}, past.FarFuture()) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Kind == "limits" {
			logged++
			if e.Who != "configuration" {
				t.Errorf("logged as of %q", e.Who)
			}
		}
	}
	if logged != 2 {
		t.Errorf("%d entries in the journal, want the first configuration and the change", logged)
	}
}

func TestLimitsToTry(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	for m := range 240 {
		temperature := 25.0
		if m >= 60 && m < 120 {
			temperature = 34
		}
		at := testStart.Add(time.Duration(m) * time.Minute)
		r.air(at, temperature, 70)
		r.ticks <- timekeeping.Right(at.Add(5 * time.Second))
	}
	r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-1", Time: testStart.Add(3 * time.Hour), Stage: "egg", Seen: 90, Of: 95, Lost: 5, Cause: "dried", By: "keeper"}})
	r.tick(testStart.Add(240 * time.Minute))
	desk := lookback.AlarmRecords{Facility: r.facility, Catalog: speciestest.Library(t), Records: r.records()}
	heat := func(list []lookback.Episode) int {
		n := 0
		for _, e := range list {
			if e.Condition == conditions.Heat && e.Called {
				n++
			}
		}
		return n
	}
	for limit, want := range map[float64]int{33: 1, 35: 0, 30: 1} {
		var done float64
		tried, err := desk.WithLimits(t.Context(), lookback.Question{Room: "nursery", Days: 1, Limits: facility.Limits{HeatCelsius: &limit}}, func(share float64) { done = share })
		if err != nil {
			t.Fatal(err)
		}
		if done < 0.9 || done > 1 {
			t.Errorf("in the end %v of the past was gone through", done)
		}
		if heat(tried.Happened) != 1 || heat(tried.Would) != want || len(tried.Losses) != 1 {
			t.Errorf("limit %v: %d happened, %d would have, %d losses; want 1, %d, 1\n%+v", limit, heat(tried.Happened), heat(tried.Would), len(tried.Losses), want, tried.Would)
		}
	}
	report, err := desk.Performance(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if report.Calls == 0 || report.Unacknowledged == 0 || len(report.Top) == 0 || len(report.Lines()) < 12 {
		t.Errorf("performance of a day with a heat alarm: %+v", report)
	}
	if s := r.engine.Snapshot().AlarmTotals; s.CallsDay != report.Calls {
		t.Errorf("%d calls counted on the way, %d in the audit", s.CallsDay, report.Calls)
	}
}

// Many who go through the past at once, with one connection for all of them,
// come to an end, and take nothing from the engine: no read waits for another
// connection while it holds one.
func TestSimultaneousTrials(t *testing.T) {
	r := newRig(t)
	r.stop()
	r.options.Readers = 1
	r.start(testStart)
	r.monarchs(testStart)
	for m := range 180 {
		r.air(minute(m), 25, 70)
		r.tick(minute(m).Add(5 * time.Second))
	}
	r.records()
	desk := lookback.AlarmRecords{Facility: r.facility, Catalog: speciestest.Library(t), Records: r.store.Pages()}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var trials sync.WaitGroup
	for range 3 {
		trials.Go(func() {
			limit := 30.0
			if _, err := desk.WithLimits(ctx, lookback.Question{Room: "nursery", Days: 1, Limits: facility.Limits{HeatCelsius: &limit}}, func(float64) {}); err != nil {
				t.Error(err)
			}
		})
	}
	// A late message has the engine read what is stored.
	for m := 180; m < 200; m++ {
		r.send("t/nursery/a", fmt.Sprintf(`{"ts":%d,"t":24,"h":71}`, minute(m-100).Add(30*time.Second).Unix()), minute(m))
		r.tick(minute(m).Add(5 * time.Second))
	}
	trials.Wait()
}
