package delivery

import (
	"testing"
)

// A few hundred notices and three kills in every check of a change: nothing is
// lost, and what arrives twice says so. How many do is left to the long run.
func TestNothingIsLost(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute; run without -short")
	}
	r, err := Run(t.Context(), Options{Seed: 7, Notices: 240, Kills: 3, Samples: 4, Progress: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	if r.Lost > 0 || r.Unmarked > 0 || len(r.Problems) > 0 || r.Notices < 240 || r.Messages < r.Delivered || r.Quiet.Count != 4 {
		t.Errorf("%+v", r)
	}
	if r.Faults[string(refused)] == 0 || r.Faults[string(cut)] == 0 {
		t.Errorf("faults: %v", r.Faults)
	}
	if r.Alertmanager && r.Known != waves {
		t.Errorf("Alertmanager knows of %d rooms", r.Known)
	}
}
