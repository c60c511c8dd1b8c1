package quality

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
)

// vectorFile finds the published vectors beside the checkout.
func vectorFile(t *testing.T) []byte {
	t.Helper()
	candidates := []string{}
	if shared := os.Getenv("REARGUARD_SHARED"); shared != "" {
		candidates = append(candidates, filepath.Join(shared, "vectors", "qartod.json"))
	}
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for ; dir != filepath.Dir(dir); dir = filepath.Dir(dir) {
		candidates = append(candidates, filepath.Join(dir, "shared", "vectors", "qartod.json"))
	}
	for _, name := range candidates {
		if data, err := os.ReadFile(name); err == nil {
			return data
		}
	}
	const text = "vectors/qartod.json not found: put the shared folder beside the checkout or set REARGUARD_SHARED"
	if os.Getenv("CI") != "" {
		t.Fatal(text)
	}
	t.Skip(text)
	return nil
}

type vector struct {
	Test       string          `json:"test"`
	Params     json.RawMessage `json:"params"`
	TimeS      []float64       `json:"time_s"`
	Input      []*float64      `json:"input"`
	Published  []sensors.Flag  `json:"published"`
	Recomputed []sensors.Flag  `json:"recomputed"`
	DiffersAt  []int           `json:"differs_at"`
}

type vectorParams struct {
	Suspect, Fail json.RawMessage
	SuspectS      float64 `json:"suspect_s"`
	FailS         float64 `json:"fail_s"`
	Tolerance     float64 `json:"tolerance"`
	PerSecond     float64 `json:"threshold_per_s"`
	Check         string  `json:"check"`
	PeriodS       float64 `json:"period_s"`
	MinObs        int     `json:"min_obs"`
}

func (v vector) run(t *testing.T) []sensors.Flag {
	t.Helper()
	var p vectorParams
	if err := json.Unmarshal(v.Params, &p); err != nil {
		t.Fatal(err)
	}
	number := func(raw json.RawMessage) (f float64) {
		if err := json.Unmarshal(raw, &f); err != nil {
			t.Fatal(err)
		}
		return f
	}
	span := func(raw json.RawMessage) Span {
		var two [2]float64
		if err := json.Unmarshal(raw, &two); err != nil {
			t.Fatal(err)
		}
		return Span{two[0], two[1]}
	}
	seconds := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
	x := make([]float64, len(v.Input))
	for i, in := range v.Input {
		x[i] = math.NaN()
		if in != nil {
			x[i] = *in
		}
	}
	at := make([]time.Time, len(v.TimeS))
	for i, s := range v.TimeS {
		at[i] = time.Unix(0, 0).Add(seconds(s))
	}
	var flags []sensors.Flag
	var err error
	switch {
	case v.Test == "gross_range":
		flags, err = GrossRange(x, span(p.Fail), span(p.Suspect))
	case strings.HasPrefix(v.Test, "spike differential"):
		flags = SpikeDifferential(x, number(p.Suspect), number(p.Fail))
	case strings.HasPrefix(v.Test, "spike average"):
		flags = SpikeAverage(x, number(p.Suspect), number(p.Fail))
	case strings.HasPrefix(v.Test, "rate_of_change"):
		flags, err = RateOfChange(at, x, p.PerSecond)
	case strings.HasPrefix(v.Test, "flat_line"):
		flags, err = FlatLine(at, x, seconds(p.SuspectS), seconds(p.FailS), p.Tolerance)
	case strings.HasPrefix(v.Test, "attenuated_signal"):
		limits := Attenuation{Suspect: number(p.Suspect), Fail: number(p.Fail), Period: seconds(p.PeriodS), MinValues: p.MinObs}
		if strings.HasPrefix(p.Check, "std") {
			limits.Measure = StdDev
		}
		flags, err = AttenuatedSignal(at, x, limits)
	default:
		t.Fatalf("no test called %q", v.Test)
	}
	if err != nil {
		t.Fatal(err)
	}
	return flags
}

// TestPublishedVectors checks every series of ioos/ioos_qc
// tests/test_qartod.py at c91d50c3 (numbers only). Beside a missing sample the
// published spike flags come from masked arithmetic; the rule there is 2.
func TestPublishedVectors(t *testing.T) {
	var file struct {
		Vectors     []vector
		Climatology struct {
			Tspan         [2]string
			Fail, Suspect [2]float64
			Z             [2]float64
			Cases         []struct {
				T    string
				V, Z float64
				Flag sensors.Flag
			}
		}
	}
	if err := json.Unmarshal(vectorFile(t), &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Vectors) != 35 {
		t.Errorf("%d series, want 35", len(file.Vectors))
	}
	for _, v := range file.Vectors {
		t.Run(v.Test, func(t *testing.T) {
			want := append([]sensors.Flag{}, v.Published...)
			for _, i := range v.DiffersAt {
				want[i] = sensors.NotEvaluated
			}
			if diff := cmp.Diff(v.Recomputed, want); diff != "" {
				t.Fatalf("the file's own two readings differ elsewhere (-recomputed +published): %s", diff)
			}
			if diff := cmp.Diff(want, v.run(t)); diff != "" {
				t.Errorf("flags (-want +got): %s", diff)
			}
		})
	}

	day := func(s string) time.Time {
		at, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	c := file.Climatology
	spans := []Climate{{
		From: day(c.Tspan[0]), To: day(c.Tspan[1]), Height: Span{c.Z[0], c.Z[1]},
		Suspect: Span{c.Suspect[0], c.Suspect[1]}, Fail: Span{c.Fail[0], c.Fail[1]},
	}}
	if len(c.Cases) != 16 {
		t.Errorf("%d climatology cases, want 16", len(c.Cases))
	}
	for _, k := range c.Cases {
		got, err := Climatology([]time.Time{day(k.T)}, []float64{k.V}, []float64{k.Z}, spans)
		if err != nil {
			t.Fatal(err)
		}
		if got[0] != k.Flag {
			t.Errorf("climatology at %s of %g, z %g: %v, want %v", k.T, k.V, k.Z, got[0], k.Flag)
		}
	}
}
