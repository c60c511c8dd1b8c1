package fold

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/facility"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/study"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/payload"
)

// What cannot be carried out is refused with the reason, and leaves no trace.
func TestRefusedCommands(t *testing.T) {
	l := newLived(t, testOptions(t, foldtest.Facility))
	count := func(id population.CohortID, at time.Time) RecordCount {
		return RecordCount{Count: population.Count{Cohort: id, Time: at, Stage: "egg", Seen: 5, By: "keeper"}}
	}
	in := func(c AddCohort, room sensors.RoomID) AddCohort {
		c.Cohort.Placements[0].Room = room
		return c
	}
	l.do(monarchs("m", "egg", 50, testStart))
	l.do(monarchs("old", "egg", 50, testStart))
	for m := range 120 {
		l.messages(nursery("a", minute(m), 25, 70), nursery("b", minute(m), 25, 70))
	}
	l.do(EndCohort{Cohort: "old", At: minute(110), Who: "keeper"})
	l.do(count("m", minute(60)))
	l.do(count("m", minute(90)))
	l.do(UndoCount{Count: 1, Who: "keeper"})
	unknown := monarchs("new", "egg", 5, testStart)
	unknown.Cohort.Species = "gone"
	sensor := func(id sensors.SensorID, room sensors.RoomID) facility.Sensor {
		return facility.Sensor{ID: id, Room: room, Inputs: []facility.Input{{
			Topic: "new/one", Format: payload.Plain, Values: []facility.Value{{Quantity: sensors.Temperature, Unit: "°C"}},
		}}}
	}
	for name, c := range map[string]struct {
		command Command
		why     string
	}{
		"cohort with a name in use":       {monarchs("m", "egg", 5, testStart), `there is or was a cohort "m" already`},
		"cohort with a name once in use":  {monarchs("old", "egg", 5, testStart), `there is or was a cohort "old" already`},
		"cohort without animals":          {monarchs("new", "egg", 0, testStart), "at least 1 is needed"},
		"cohort of an unknown species":    {unknown, `there is no species "gone"`},
		"cohort of an unknown stage":      {monarchs("new", "nymph", 5, testStart), "nymph"},
		"cohort in an unknown room":       {in(monarchs("new", "egg", 5, testStart), "attic"), `there is no room "attic"`},
		"move of an unknown cohort":       {MoveCohort{Cohort: "gone", Room: "hall", At: minute(100)}, `there is no cohort "gone" in rearing`},
		"move of a closed cohort":         {MoveCohort{Cohort: "old", Room: "hall", At: minute(115)}, `there is no cohort "old" in rearing`},
		"move to an unknown room":         {MoveCohort{Cohort: "m", Room: "attic", At: minute(100)}, `there is no room "attic"`},
		"move in the future":              {MoveCohort{Cohort: "m", Room: "hall", At: minute(400)}, "the move is in the future"},
		"move to where it stands":         {MoveCohort{Cohort: "m", Room: "nursery", At: minute(100)}, "nursery"},
		"end of an unknown cohort":        {EndCohort{Cohort: "gone", At: minute(100)}, `there is no cohort "gone" in rearing`},
		"end at the beginning":            {EndCohort{Cohort: "m", At: testStart}, "cannot end before it started"},
		"end in the future":               {EndCohort{Cohort: "m", At: minute(400)}, "the end is in the future"},
		"count of an unknown cohort":      {count("gone", minute(100)), `there is no cohort "gone" in rearing`},
		"count before the beginning":      {count("m", minute(-1)), "before the cohort started"},
		"count in the future":             {count("m", minute(400)), "the count is in the future"},
		"unknown count taken back":        {UndoCount{Count: 7}, "there is no count 7"},
		"count taken back twice":          {UndoCount{Count: 1}, "count 1 was taken back already"},
		"constants that nobody learned":   {AdoptConstants{Key: study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}, Who: "lead"}, "no finished cohort"},
		"refusal of constants by nobody":  {RefuseConstants{Key: study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}}, "needs the name"},
		"sensor in an unknown room":       {ClaimSensor{Sensor: sensor("new", "attic")}, `there is no room "attic"`},
		"sensor that nobody can read":     {ClaimSensor{Sensor: facility.Sensor{ID: "new", Room: "nursery", Inputs: []facility.Input{{Topic: "new/one", Format: "smoke"}}}}, "smoke"},
		"unknown sensor to the bench":     {StartBench{Sensor: "gone", Quantity: sensors.Temperature, Who: "Ana"}, "gone"},
		"bench of a sensor in its room":   {ReadBench{Sensor: "nursery-a", Reference: calibration.Reference{Kind: calibration.ReferenceIce}}, "nursery-a"},
		"back from no bench":              {LeaveBench{Sensor: "nursery-a"}, "nursery-a"},
		"calibration without a bench":     {FinishBench{Sensor: "nursery-a"}, "nursery-a"},
		"certificate of another's sensor": {Calibrate{Certificate: certificate(t, "gone", minute(100))}, "gone"},
		"calibration that never was":      {ReapplyCalibration{Sensor: "nursery-a", Quantity: sensors.Temperature, From: minute(10)}, "nursery-a"},
		"order to an alarm that is well":  {Order{Verb: alerts.Acknowledge, Key: heat, Who: "lead"}, "heat"},
		"records adopted by nobody":       {AdoptRecords{}, "needs the name of who decided it"},
		"records that are well adopted":   {AdoptRecords{Who: "lead"}, "nothing of the records is doubted"},
		"clock confirmed by nobody":       {ConfirmClock{}, "say who has looked at the clock"},
		"clock that nobody doubts":        {ConfirmClock{Who: "Ana"}, "the clock is not in doubt"},
		"configuration without a file":    {Configure{Who: "Ana"}, "there is no configuration file to read again"},
		"configuration that is damaged":   {Configure{Path: "test.yaml", Text: "rooms: {"}, "test.yaml"},
	} {
		before := traceOf(t, l.Fold)
		err := l.Do(t.Context(), c.command)
		if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), c.why) {
			t.Errorf("%s: %v, want a refusal that says %q", name, err, c.why)
		}
		if d := sameTrace(before, traceOf(t, l.Fold)); d != "" {
			t.Errorf("%s: refused, and left a trace: %s", name, d)
		}
	}
}

// Counts are numbered in the order in which they are entered, and shown by their
// times, the newest first. One that is taken back stays, and counts no more.
func TestCountsOfACohort(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("egg")
	b.do(monarchs("n", "egg", 10, b.now))
	b.air(120, 25, 70)
	for i, c := range []struct {
		cohort population.CohortID
		minute int
	}{{"m", 90}, {"m", 30}, {"n", 60}, {"m", 60}} {
		b.do(RecordCount{Count: population.Count{Cohort: c.cohort, Time: minute(c.minute), Stage: "egg", Seen: i + 1, By: "keeper"}})
	}
	b.do(UndoCount{Count: 2, Who: "keeper"})
	b.do(UndoCount{Count: 1, Who: "keeper"})
	var ids []population.CountID
	var undone []bool
	for _, c := range b.Snapshot().Cohorts {
		for _, n := range c.Counts {
			ids, undone = append(ids, n.ID), append(undone, n.Undone)
		}
	}
	if want := []population.CountID{1, 4, 2, 3}; !slices.Equal(ids, want) || !slices.Equal(undone, []bool{true, false, true, false}) {
		t.Errorf("counts %v, taken back %v; want %v", ids, undone, want)
	}
}
