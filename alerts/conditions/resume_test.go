package conditions_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/harm"
)

// harmful is a room in which every dose grows.
func harmful(at time.Time) conditions.RoomState {
	in := room()
	in.Now = at
	c, rh := 30.0, 95.0
	in.TemperatureC, in.HumidityPercent = &c, &rh
	in.Warmest, in.Coldest, in.Driest, in.Dampest, in.HighestVPD = point(c), point(c), point(rh), point(rh), point(2)
	in.Limits.MouldRisk = &conditions.Limit{Value: 50}
	in.Cohorts = []conditions.HeatCohort{{ID: "atlas-3", Stage: "pupa", Line: harm.Line{CTMaxC: 40, ZC: 3, BoundaryC: 28}}}
	return in
}

// doses are what a memory has counted.
func doses(m conditions.RoomMemory) map[string]float64 {
	return map[string]float64{
		"drying": m.Drying.Beyond.Minutes(), "damp": m.Damp.Beyond.Minutes(), "mould": m.Mould.Share, "heat": m.Injuries["atlas-3"].Share,
	}
}

// Five hours in which nobody watched are not counted into any dose, nor do
// doses fall back for them.
func TestDosesOverDowntime(t *testing.T) {
	var memory conditions.RoomMemory
	at := night
	watch := func(minutes int) {
		for range minutes {
			_, memory = judge(harmful(at), memory)
			at = at.Add(time.Minute)
		}
	}
	watch(11)
	before := doses(memory)
	for name, dose := range before {
		if dose <= 0 {
			t.Fatalf("%s is %v after ten minutes, the test room does no harm", name, dose)
		}
	}
	from := at
	at = at.Add(5 * time.Hour)
	memory = memory.Resume(from, at, true)
	watch(1)
	if diff := cmp.Diff(before, doses(memory)); diff != "" {
		t.Errorf("doses change over a time in which nobody watched (-before +after):\n%s", diff)
	}
	watch(10)
	for name, dose := range doses(memory) {
		if ratio := dose / before[name]; ratio < 1.99 || ratio > 2.01 {
			t.Errorf("%s is %v after ten more minutes, want twice the %v of the first ten", name, dose, before[name])
		}
	}
}

// A clock that is moved changes nothing of what is found and counted.
func TestFindingsOverStepsOfTheClock(t *testing.T) {
	for _, by := range []time.Duration{-1000 * time.Hour, 7 * time.Hour} {
		t.Run(by.String(), func(t *testing.T) {
			m := newModel(3)
			var plain, stepped conditions.RoomMemory
			truths := func(list []alerts.Observation) map[alerts.Key]alerts.Truth {
				got := map[alerts.Key]alerts.Truth{}
				for _, o := range list {
					got[o.Key] = o.Truth
				}
				return got
			}
			for minute := range 26 * 60 {
				at := night.Add(time.Duration(minute) * time.Minute)
				for range 6 {
					m.step()
				}
				in := m.state(at)
				if minute > 24*60 {
					in.Warmest, in.HighestVPD = point(40), point(3)
				}
				moved := in
				if minute == 24*60+20 {
					stepped = stepped.Resume(at, at.Add(by), false)
				}
				if minute >= 24*60+20 {
					moved.Now = at.Add(by)
				}
				var want, got []alerts.Observation
				want, plain = judge(in, plain)
				got, stepped = judge(moved, stepped)
				// How long a sensor has been silent is told by the times of its
				// readings, which the daemon moves.
				if diff := cmp.Diff(truths(want), truths(got), cmp.FilterPath(ofSensors, cmp.Ignore())); diff != "" {
					t.Fatalf("minute %d (-plain +moved):\n%s", minute, diff)
				}
				if diff := cmp.Diff(doses(plain), doses(stepped)); diff != "" {
					t.Fatalf("minute %d (-plain +moved):\n%s", minute, diff)
				}
			}
		})
	}
}

// ofSensors tells the findings about a sensor.
func ofSensors(p cmp.Path) bool {
	i, ok := p.Last().(cmp.MapIndex)
	return ok && i.Key().Interface().(alerts.Key).Subject != ""
}
