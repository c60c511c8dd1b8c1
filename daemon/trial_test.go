package daemon

import (
	"fmt"
	"testing"
	"time"

	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

func TestTrialRaisesHeat(t *testing.T) {
	f := parseFacility(t, testFacility)
	catalog, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	trial, err := NewTrial(f, catalog, testStart)
	if err != nil {
		t.Fatal(err)
	}
	err = trial.Do(AddCohort{Who: "test", Cohort: rearing.Cohort{
		ID: "c", Species: "danaus-plexippus", Start: testStart, StartStage: "egg", Individuals: 10,
		Placements: []rearing.Placement{{Room: "nursery", From: testStart}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	for m := range 60 {
		at := testStart.Add(time.Duration(m) * time.Minute)
		temperature := 26 + 12*float64(m)/60
		err := trial.Message(sensors.Message{
			Topic: "t/nursery/a", Received: at,
			Payload: fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":70}`, at.Unix(), temperature),
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := trial.Advance(at.Add(time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	heat := 0
	for _, s := range trial.TakeSteps() {
		if s.Key.Condition == "heat" && s.To == "unacknowledged" {
			heat++
		}
	}
	notices := trial.TakeNotices()
	if heat != 1 || len(notices) == 0 {
		t.Errorf("%d heat alarms, %d notices", heat, len(notices))
	}
	if len(trial.TakeNotices()) != 0 {
		t.Error("notices are taken twice")
	}
}
