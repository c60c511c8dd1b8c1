package incidents_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/cmd/prove/incidents"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/species/speciestest"
)

// The smaller version of prove incidents: one held-out seed of every
// incident. The goals are those the command is judged by.
func TestIncidentsAreFoundInTime(t *testing.T) {
	foldtest.WithoutRace(t)
	if n := len(incidents.Names()); n < 30 {
		t.Fatalf("%d incidents, want at least 30", n)
	}
	seeds := incidents.HeldOutSeeds()[:1]
	var words []string
	if testing.Short() {
		words = []string{"heater stuck on at night", "heater dead, winter", "mains lost, night", "broker down", "door left open, winter"}
	}
	outcomes, err := incidents.Play(t.Context(), speciestest.Library(t), seeds, words...)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range outcomes {
		if o.Missed() {
			t.Errorf("%s: harm after %v, found after %v by %s", o.Name, o.HarmAfter, o.FoundAfter, o.FoundBy)
		}
		if o.Cause != incidents.CauseRight {
			t.Logf("%s: cause %s, named %v, wanted %v", o.Name, o.Cause, o.Named, o.Wanted)
		}
	}
	score := incidents.Sum("held-out", outcomes)
	if score.HeatWarning < 20*time.Minute {
		t.Errorf("the median warning before heat harms is %v, want at least 20 min", score.HeatWarning)
	}
	if score.RightShare() < 0.8 {
		t.Errorf("the cause is right in %.0f %%, want at least 80 %% of one seed", 100*score.RightShare())
	}
	t.Logf("%+v", score)
}

func TestCleanWeeksAreQuiet(t *testing.T) {
	foldtest.WithoutRace(t)
	y, err := incidents.CleanYear(t.Context(), speciestest.Library(t), incidents.HeldOutSeeds()[0], 3, 45)
	if err != nil {
		t.Fatal(err)
	}
	if y.FalsePerRoomYear() >= 6 || y.PagesPerNight() > 1 {
		t.Errorf("%.1f false alarms per room and year, %.2f pages a night: %+v", y.FalsePerRoomYear(), y.PagesPerNight(), y)
	}
}

func TestSameSeedSameOutcome(t *testing.T) {
	play := func() []incidents.Outcome {
		o, err := incidents.Play(t.Context(), speciestest.Library(t), []uint64{5}, "power lost in one room, spring")
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	if d := cmp.Diff(play(), play()); d != "" {
		t.Errorf("the same seed went differently:\n%s", d)
	}
}

func TestUnknownWordPlaysNothing(t *testing.T) {
	if o, err := incidents.Play(t.Context(), speciestest.Library(t), incidents.TuningSeeds(), "no such incident"); err != nil || len(o) != 0 {
		t.Errorf("%d outcomes, %v", len(o), err)
	}
}
