package daemon

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rearguard/alerts/conditions"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
)

// What an incident was is kept with the facts of its time: two hours at one
// temperature give the dose that multiplication gives, and a program that was
// stopped on the way keeps the same.
func TestEndedIncidentsAreKept(t *testing.T) {
	play := func(restart bool) []snapshot.Incident {
		r := newRig(t)
		r.monarchs(testStart)
		for m := range 240 {
			temperature := 25.0
			if m >= 20 && m < 140 {
				temperature = 37
			}
			r.air(minute(m), temperature, 70)
			r.ticks <- timekeeping.Right(minute(m).Add(10 * time.Second))
			if restart && m%37 == 36 {
				r.stop()
				r.start(minute(m).Add(20 * time.Second))
			}
		}
		r.tick(minute(240))
		desk := lookback.AlarmRecords{Facility: r.facility, Catalog: speciestest.Library(t), Records: r.records()}
		list, err := desk.Incidents(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		for k := range list {
			one, err := desk.Incident(t.Context(), list[k].Number)
			if err != nil || !cmp.Equal(one, &list[k]) {
				t.Errorf("incident %d by itself is %+v, %v", list[k].Number, one, err)
			}
		}
		if none, err := desk.Incident(t.Context(), 4711); none != nil || err != nil {
			t.Errorf("an incident that never was: %+v, %v", none, err)
		}
		return list
	}
	calm := play(false)
	// After a start rooms are looked at again at once, not at the next half minute.
	if diff := cmp.Diff(calm, play(true), cmpopts.EquateApproxTime(time.Minute), cmpopts.EquateApprox(0.02, 0)); diff != "" {
		t.Errorf("with restarts (-calm +restarted):\n%s", diff)
	}
	if len(calm) != 1 {
		t.Fatalf("%d incidents, want the one: %+v", len(calm), calm)
	}
	i := calm[0]
	heat := i.Measured()
	if len(i.Members) != 2 || heat.Key.Condition != conditions.Heat || i.Worst() == heat || i.EndedAt.IsZero() {
		t.Fatalf("kept %+v", i)
	}
	beyond := heat.Peak.Value - heat.Peak.Limit
	if want := beyond * minute(140).Sub(heat.RaisedAt).Hours(); beyond <= 0 || math.Abs(heat.Dose-want) > want/50 {
		t.Errorf("dose %.2f °C·h of %.1f °C beyond %.1f °C since %v, want %.2f", heat.Dose, beyond, heat.Peak.Limit, heat.RaisedAt, want)
	}
}
