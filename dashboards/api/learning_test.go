package api_test

import (
	"encoding/json"
	"math"
	"net/http"
	"testing"

	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/study"
	"rearguard/dashboards/dashtest"
)

func TestLearningTellsFitsAndDecision(t *testing.T) {
	library := speciestest.Library(t)
	s := dashtest.Sample()
	key := study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}
	s.Starting, s.Learning = library, &study.Learning{Decisions: []study.Decision{{Key: key, Adopted: true, Fit: study.Corrected, Who: "Ines", At: s.Time, Observations: 4}}}
	for i, d := range []float64{3.4, 2.9, 2.6, 2.3} {
		s.Learning.Observations = append(s.Learning.Observations, study.Observation{
			Cohort: "c", Species: key.Species, Stage: key.Stage, Until: key.Until, Days: d, DoubtDays: 0.1, TemperatureC: 22 + 2*float64(i),
		})
	}
	var fits []struct {
		Stage, Adopted string
		DecidedBy      string `json:"decided_by"`
		Observations   []struct {
			Duration float64 `json:"duration_seconds"`
		}
		Corrected, Regression struct {
			Threshold float64 `json:"threshold_celsius"`
			SE        float64 `json:"threshold_standard_error_celsius"`
		}
	}
	w := call(handler(t, dashtest.New(s)), http.MethodGet, "/api/v1/learning", "")
	if err := json.Unmarshal(w.Body.Bytes(), &fits); err != nil || len(fits) != 1 {
		t.Fatalf("%v: %s", err, w.Body)
	}
	f := fits[0]
	if f.Stage != "egg" || f.Adopted != "corrected" || f.DecidedBy != "Ines" || len(f.Observations) != 4 || math.Abs(f.Observations[0].Duration-3.4*86400) > 1e-6 || f.Regression.SE <= 0 || f.Corrected.Threshold == f.Regression.Threshold {
		t.Errorf("%+v", f)
	}
	if got := call(handler(t, dashtest.New(dashtest.Sample())), http.MethodGet, "/api/v1/learning", "").Body.String(); got != "[]\n" {
		t.Errorf("nothing learned: %q", got)
	}
}
