package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/daemon/study"
	"rearguard/sensors"
)

// eggs lets a cohort of eggs hatch in a room at a constant temperature, with
// counts six hours before and after half of them have, and ends it.
func eggs(id rearing.CohortID, room sensors.RoomID, begin time.Time, days float64) []Command {
	half := begin.Add(time.Duration(days * 24 * float64(time.Hour)))
	count := func(at time.Time, seen int) RecordCount {
		return RecordCount{Count: rearing.Count{Cohort: id, Time: at, Stage: "larva-1", Seen: seen, Of: 50, OrBeyond: true, By: "keeper"}}
	}
	return []Command{
		AddCohort{Who: "keeper", Cohort: rearing.Cohort{
			ID: id, Species: "danaus-plexippus", Start: begin, StartStage: "egg", Individuals: 50,
			Placements: []rearing.Placement{{Room: room, From: begin}},
		}},
		count(half.Add(-6*time.Hour), 10),
		count(half.Add(6*time.Hour), 40),
		EndCohort{Cohort: id, At: half.Add(8 * time.Hour), Who: "keeper"},
	}
}

// hatchDays is the truth of the invented eggs.
func hatchDays(c float64) float64 { return 45 / (c - 9) }

// lesson gives a rig eight days of steady rooms and two finished cohorts of
// eggs in each.
func lesson(r *rig) {
	at := testStart
	for m := range 8*24*4 + 1 {
		at = testStart.Add(time.Duration(m) * 15 * time.Minute)
		// A value that never moves would be taken for a stuck sensor.
		wave := 0.5 * math.Sin(2*math.Pi*float64(m)/96)
		r.air(at, math.Round(100*(25+wave))/100, 70+wave)
		r.send("t/hall/a", fmt.Sprintf("%.2f", 20+wave), at.Add(5*time.Second))
		r.ticks <- at.Add(10 * time.Second)
	}
	r.tick(at)
	for i, room := range []struct {
		id sensors.RoomID
		c  float64
	}{{"nursery", 25}, {"hall", 20}} {
		for k, off := range []float64{1, 1.04} {
			begin := testStart.Add(time.Duration(6+3*k) * time.Hour)
			for _, c := range eggs(rearing.CohortID(fmt.Sprintf("eggs-%d-%d", i, k)), room.id, begin, off*hatchDays(room.c)) {
				r.do(c)
			}
		}
	}
	r.tick(at.Add(time.Minute))
}

var eggKey = study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}

func TestFinishedCohortsTeach(t *testing.T) {
	// Sensors report every 15 minutes here.
	r := newRigOf(t, strings.ReplaceAll(testFacility, "interval: 60s", "interval: 15m"))
	lesson(r)
	s := r.engine.Snapshot()
	if n := len(s.Learning.Observations); n != 4 {
		t.Fatalf("%d observations: %+v", n, s.Learning.Observations)
	}
	for _, o := range s.Learning.Observations {
		if o.Key() != eggKey || math.Abs(o.TemperatureC-25) > 0.2 && math.Abs(o.TemperatureC-20) > 0.2 ||
			math.Abs(o.Days/hatchDays(math.Round(o.TemperatureC))-1) > 0.06 {
			t.Errorf("observation %+v", o)
		}
	}
	fit, ok := study.FitOf(s.Starting, s.Learning.Observations, eggKey)
	if !ok || fit.Proposal == nil || fit.Regression == nil {
		t.Fatalf("fit of two temperatures: %+v", fit)
	}
	days := func(c *rearing.Catalog) float64 {
		sp, _ := c.Species("danaus-plexippus")
		return sp.Stages[0].Requirement / sp.Stages[0].Rate.PerDay(20)
	}
	before := days(s.Catalog)

	r.monarchs(testStart.Add(time.Hour))
	refusals := map[string]Command{
		"nobody": AdoptConstants{Key: eggKey, Fit: study.Corrected, Observations: 4},
		"stale":  AdoptConstants{Key: eggKey, Fit: study.Corrected, Observations: 3, Who: "lead"},
		"no fit": AdoptConstants{Key: eggKey, Fit: "best", Observations: 4, Who: "lead"},
		"no key": RefuseConstants{Key: study.Key{Species: "danaus-plexippus", Stage: "pupa", Until: "adult"}, Who: "lead"},
	}
	for name, c := range refusals {
		if err := r.engine.Do(t.Context(), c); !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
	r.do(AdoptConstants{Key: eggKey, Fit: study.Corrected, Observations: 4, Who: "lead"})
	adopted := r.engine.Snapshot()
	sp, _ := adopted.Catalog.Species("danaus-plexippus")
	after, truth := days(adopted.Catalog), 1.02*hatchDays(20)
	if math.Abs(after-truth) > 0.6*math.Abs(before-truth) {
		t.Errorf("eggs at 20 °C take %.2f days: %.2f before, %.2f after adopting", truth, before, after)
	}
	if !strings.Contains(sp.Origin, "facility") || !strings.Contains(sp.Stages[0].Source, "4 own cohorts") || sp.Stages[0].Assumed {
		t.Errorf("origin %q, source %q", sp.Origin, sp.Stages[0].Source)
	}
	running := adopted.Cohorts[0]
	if got := running.Progress.Species().Stages[0].Requirement; got != sp.Stages[0].Requirement {
		t.Errorf("the cohort being reared goes by %v degree-days, adopted are %v", got, sp.Stages[0].Requirement)
	}

	// A restart, a replay of everything and the command line agree.
	r.stop()
	reader, err := records.OpenReader(t.Context(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	told, err := LoadLearning(t.Context(), reader)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(adopted.Learning, told); d != "" {
		t.Errorf("learning in the records differs:\n%s", d)
	}
	catalog, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	replayed, err := Replay(t.Context(), ReplayOptions{Facility: r.facility, Catalog: catalog, Records: reader, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(adopted.Learning, replayed.Final.Learning); d != "" {
		t.Errorf("replayed learning differs:\n%s", d)
	}
	if !running.Progress.Equal(replayed.Final.Cohorts[0].Progress) {
		t.Error("replayed progress differs")
	}
	r.start(adopted.Time.Add(time.Minute))
	again := r.engine.Snapshot()
	if d := cmp.Diff(adopted.Learning, again.Learning); d != "" {
		t.Errorf("learning after a restart differs:\n%s", d)
	}
	if days(again.Catalog) != after || !running.Progress.Equal(again.Cohorts[0].Progress) {
		t.Error("constants or progress after a restart differ")
	}
	r.do(RefuseConstants{Key: eggKey, Observations: 4, Who: "lead"})
	if got := days(r.engine.Snapshot().Catalog); got != before {
		t.Errorf("after taking them back eggs take %v days, want %v", got, before)
	}
}

func TestTheFacilitysOwnEntryWins(t *testing.T) {
	library, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	entries, err := rearing.ParseSpecies("facility.yaml", []byte("- id: danaus-plexippus\n  stages:\n    - {id: egg, lower_celsius: 11, requirement_degree_days: 47}\n"), 0)
	if err != nil {
		t.Fatal(err)
	}
	starting, err := library.With(entries)
	if err != nil {
		t.Fatal(err)
	}
	l := &Learning{Decisions: []Decision{{Key: eggKey, Adopted: true, Stages: []rearing.StageConstants{
		{Stage: "egg", LowerC: 9, Requirement: 40, Method: rearing.Regression, Source: "own"},
		{Stage: "larva-1", LowerC: 9, Requirement: 30, Method: rearing.Regression, Source: "own"},
	}}}}
	catalog, err := l.Apply(starting)
	if err != nil {
		t.Fatal(err)
	}
	sp, _ := catalog.Species("danaus-plexippus")
	if sp.Stages[0].Requirement != 47 || sp.Stages[1].Requirement != 30 {
		t.Errorf("egg %v, first instar %v degree-days; want 47 of the entry and 30 adopted", sp.Stages[0].Requirement, sp.Stages[1].Requirement)
	}
}

func TestAirSumTellsMeans(t *testing.T) {
	var a airSum
	line := func(from, to time.Duration, fromC, toC float64) {
		a.add(segment(testStart.Add(from), testStart.Add(to), fromC, toC))
	}
	line(0, 10*time.Hour, 20, 20)
	line(8*time.Hour, 20*time.Hour, 20, 20) // partly again
	line(20*time.Hour, 44*time.Hour, 20, 44)
	for _, c := range []struct {
		from, to time.Duration
		want     float64
	}{{0, 18 * time.Hour, 20}, {3 * time.Hour, 13 * time.Hour, 20}, {24 * time.Hour, 36 * time.Hour, 30}, {0, 44 * time.Hour, (20*20 + 24*32) / 44.0}} {
		if got, ok := a.mean(testStart.Add(c.from), testStart.Add(c.to)); !ok || math.Abs(got-c.want) > 1e-9 {
			t.Errorf("mean from %v to %v: %v, %v, want %v", c.from, c.to, got, ok, c.want)
		}
	}
	if _, ok := a.mean(testStart.Add(-time.Hour), testStart); ok {
		t.Error("a mean of unknown air")
	}
}

func segment(from, to time.Time, fromC, toC float64) roomair.Segment {
	return roomair.Segment{From: from, To: to, FromC: fromC, ToC: toC}
}

// newRigOf is newRig with another configuration.
func newRigOf(t *testing.T, text string) *rig {
	t.Helper()
	r := &rig{t: t, path: filepath.Join(t.TempDir(), "test.db"), facility: parseFacility(t, text)}
	r.start(testStart)
	t.Cleanup(func() { r.stop() })
	return r
}
