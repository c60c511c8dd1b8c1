package sandbox_test

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/sandbox"
	"rearguard/sensors"
)

func TestSandboxRaisesHeat(t *testing.T) {
	begin := foldtest.Start()
	box, err := sandbox.New(fold.Options{
		Facility: foldtest.Parse(t, foldtest.Facility), Catalog: speciestest.Library(t), Logger: slog.New(slog.DiscardHandler),
	}, begin)
	if err != nil {
		t.Fatal(err)
	}
	if err := box.Do(fold.AddCohort{Who: "test", Cohort: population.Cohort{
		ID: "c", Species: "danaus-plexippus", Start: begin, StartStage: "egg", Individuals: 10,
		Placements: []population.Placement{{Room: "nursery", From: begin}},
	}}); err != nil {
		t.Fatal(err)
	}
	for m := range 60 {
		at := begin.Add(time.Duration(m) * time.Minute)
		body := fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":70}`, at.Unix(), 26+12*float64(m)/60)
		if err := box.Messages(sensors.Message{Topic: "t/nursery/a", Received: at, Payload: body}); err != nil {
			t.Fatal(err)
		}
		if err := box.Advance(at.Add(time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	heat := 0
	for _, s := range box.TakeSteps() {
		if s.Key.Condition == "heat" && s.To == alerts.Unacknowledged {
			heat++
		}
	}
	notices := box.TakeNotices()
	if heat != 1 || len(notices) == 0 {
		t.Errorf("%d heat alarms, %d notices", heat, len(notices))
	}
	if len(box.TakeNotices()) != 0 {
		t.Error("notices are taken twice")
	}
	if f, err := box.Forecast("c"); err != nil || len(f.Events) == 0 {
		t.Errorf("forecast %+v, %v", f, err)
	}
	if _, err := box.Forecast("nobody"); err == nil {
		t.Error("there is a forecast of a cohort that is not there")
	}
}
