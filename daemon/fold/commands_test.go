package fold

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/facility"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/standing"
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

// What finished cohorts taught holds as soon as somebody adopts it, for cohorts
// being reared as well, until somebody gives it up again.
func TestAdoptedConstantsHoldAtOnce(t *testing.T) {
	p := prepare(t)
	f, _ := p.begin(t, nil)
	requirements := func() (inForce, goneBy float64) {
		s := f.Snapshot()
		sp, _ := s.Catalog.Species("danaus-plexippus")
		return sp.Stages[0].Requirement, s.Cohorts[0].Progress.Species().Stages[0].Requirement
	}
	starting, _ := requirements()
	for _, c := range []struct {
		command Command
		adopted bool
	}{
		{AdoptConstants{Key: eggs, Fit: study.Corrected, Observations: 2, Who: "lead"}, true},
		{RefuseConstants{Key: eggs, Observations: 2, Who: "lead"}, false},
	} {
		if err := f.Do(t.Context(), c.command); err != nil {
			t.Fatal(err)
		}
		inForce, goneBy := requirements()
		if inForce != goneBy || (inForce != starting) != c.adopted {
			t.Errorf("%s: %v degree-days are in force and %v gone by, at the start there were %v", c.command.Kind(), inForce, goneBy, starting)
		}
		batch, err := f.TakeBatch()
		if err != nil {
			t.Fatal(err)
		}
		var kept study.Learning
		if err := json.Unmarshal(batch.State[LearningName], &kept); err != nil || kept.Decided(eggs).Adopted != c.adopted {
			t.Errorf("%s: kept is %+v, %v", c.command.Kind(), kept.Decisions, err)
		}
	}
}

// A cohort that ends leaves what its counts teach, and is reared no more.
func TestCohortThatEndsTeaches(t *testing.T) {
	o := testOptions(t, strings.ReplaceAll(foldtest.Facility, "interval: 60s", "interval: 15m"))
	o.Grid = 10 * time.Minute
	l := newLived(t, o)
	l.do(monarchs("m", "egg", 50, testStart))
	for q := range 4 * 24 * 4 {
		at := testStart.Add(time.Duration(q) * 15 * time.Minute)
		celsius := 25 + float64(q%5)/10
		l.messages(nursery("a", at, celsius, 70), nursery("b", at, celsius, 70))
	}
	for i, want := range []int{1, 2} {
		l.finishEggs(population.CohortID(fmt.Sprintf("eggs-%d", i)), testStart.Add(6*time.Hour), 2.8)
		s := l.Snapshot()
		if n := len(s.Learning.Observations); n != want {
			t.Errorf("%d observations after %d cohorts", n, want)
		}
		if len(s.Cohorts) != 1 || s.Cohorts[0].ID != "m" {
			t.Errorf("reared are %d cohorts after the end of all but one", len(s.Cohorts))
		}
	}
}

// A sensor that was claimed counts from then on, and is kept beside the
// configuration until that has it.
func TestClaimedSensorIsKept(t *testing.T) {
	o := testOptions(t, foldtest.Facility)
	l := newLived(t, o)
	stateKept := false
	inForce := func() (c standing.Configuration) {
		t.Helper()
		batch, err := l.TakeBatch()
		if err != nil {
			t.Fatal(err)
		}
		if batch == nil || batch.State[standing.Name] == nil {
			t.Fatal("no configuration is kept")
		}
		if err := json.Unmarshal(batch.State[standing.Name], &c); err != nil {
			t.Fatal(err)
		}
		stateKept = batch.State[CheckpointName] != nil
		return c
	}
	if err := l.NoteConfiguration(t.Context(), &o); err != nil {
		t.Fatal(err)
	}
	if c := inForce(); c.Text != foldtest.Facility || len(c.Claimed) != 0 {
		t.Errorf("in force is %+v", c)
	}
	if err := l.NoteConfiguration(t.Context(), &o); err != nil || len(l.Untaken().Journal) != 0 {
		t.Errorf("noted again is %+v, %v", l.Untaken().Journal, err)
	}
	l.tick(testStart.Add(10 * time.Hour))
	for range 2 {
		claim := ClaimSensor{Who: "Ana", Sensor: facility.Sensor{ID: "new", Room: "nursery", Inputs: []facility.Input{{
			Topic: "new/one", Format: payload.Plain, Values: []facility.Value{{Quantity: sensors.Temperature, Unit: "°C"}},
		}}}}
		if err := l.Do(t.Context(), claim); err != nil {
			t.Fatal(err)
		}
	}
	if c := inForce(); len(c.Claimed) != 1 || c.Claimed[0].ID != "new" {
		t.Errorf("claimed are %+v", c.Claimed)
	}
	if s := l.Snapshot(); s.Rooms[0].TotalSensors != 3 || sensorNamed(t, s, "new").Silent {
		t.Errorf("the nursery has %d sensors, and the new one is silent already: %v", s.Rooms[0].TotalSensors, sensorNamed(t, s, "new").Silent)
	}
	if err := l.Do(t.Context(), Configure{Path: "test.yaml", Text: foldtest.Facility, Who: "lead"}); err != nil {
		t.Fatal(err)
	}
	if s := l.Snapshot(); s.Rooms[0].TotalSensors != 2 || len(inForce().Claimed) != 0 || !stateKept {
		t.Errorf("after the file without it was read again the nursery has %d sensors; is the state kept for it: %v", s.Rooms[0].TotalSensors, stateKept)
	}
}
