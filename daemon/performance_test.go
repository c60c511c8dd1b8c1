package daemon

import (
	"slices"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

// countOf is a count of a cohort of eggs.
func countOf(id population.CohortID) fold.Command {
	return fold.RecordCount{Count: population.Count{Cohort: id, Time: minute(45), Stage: "egg", Seen: 40, Of: 50, By: "keeper"}}
}

// Two rooms are too hot. What is done about the animals of one is an action on
// the alarms of that room, and no answer to those of the other.
func TestActionsBelongToTheirRoom(t *testing.T) {
	for _, c := range []struct {
		name  string
		do    fold.Command
		acted []sensors.RoomID
	}{
		{"nothing is done", nil, nil},
		{"a count in the nursery", countOf("monarch-1"), []sensors.RoomID{"nursery"}},
		{"a count in the hall", countOf("hall-1"), []sensors.RoomID{"hall"}},
		{"a cohort is closed in the hall", fold.EndCohort{Cohort: "hall-1", At: minute(45), Who: "keeper"}, []sensors.RoomID{"hall"}},
		{"a cohort is moved", fold.MoveCohort{Cohort: "hall-1", Room: "nursery", At: minute(45), Who: "keeper"}, []sensors.RoomID{"hall", "nursery"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.monarchs(testStart)
			r.do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
				ID: "hall-1", Species: "danaus-plexippus", Start: testStart, StartStage: "egg", Individuals: 50,
				Placements: []population.Placement{{Room: "hall", From: testStart}},
			}})
			for m := range 46 {
				r.air(minute(m), 38, 70)
				r.send("t/hall/a", "38", minute(m))
				r.tick(minute(m).Add(10 * time.Second))
			}
			if c.do != nil {
				r.do(c.do)
			}
			reader := r.records()
			steps, err := reader.AlarmTransitions(t.Context(), time.Time{}, minute(46))
			if err != nil {
				t.Fatal(err)
			}
			rooms := map[sensors.RoomID]int{}
			called, unanswered := 0, 0
			for _, s := range steps {
				if !s.Annunciate || s.Event == alerts.EventRepeat {
					continue
				}
				called++
				rooms[s.Key.Room]++
				if !slices.Contains(c.acted, s.Key.Room) {
					unanswered++
				}
			}
			if rooms["nursery"] == 0 || rooms["hall"] == 0 {
				t.Fatalf("calls by room: %v", rooms)
			}
			got, err := lookback.Performance(t.Context(), reader, lookback.Span{From: testStart, To: minute(47)})
			if err != nil {
				t.Fatal(err)
			}
			if got.Calls != called || got.WithoutAction != unanswered {
				t.Errorf("%d calls, %d without action; want %d and %d", got.Calls, got.WithoutAction, called, unanswered)
			}
		})
	}
}
