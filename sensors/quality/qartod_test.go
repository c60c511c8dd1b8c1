package quality

import (
	"encoding/json"
	"fmt"
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

type vectors struct {
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

func publishedVectors(t *testing.T) (file vectors) {
	t.Helper()
	if err := json.Unmarshal(vectorFile(t), &file); err != nil {
		t.Fatal(err)
	}
	return file
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
	PeriodS       float64 `json:"period_s"`
}

// number and span read a limit of the series.
func number(t *testing.T, raw json.RawMessage) (f float64) {
	t.Helper()
	if err := json.Unmarshal(raw, &f); err != nil {
		t.Fatal(err)
	}
	return f
}

func span(t *testing.T, raw json.RawMessage) Span {
	t.Helper()
	var two [2]float64
	if err := json.Unmarshal(raw, &two); err != nil {
		t.Fatal(err)
	}
	return Span{two[0], two[1]}
}

// run gives the series to the test that the program runs.
func (v vector) run(t *testing.T) []sensors.Flag {
	t.Helper()
	var p vectorParams
	if err := json.Unmarshal(v.Params, &p); err != nil {
		t.Fatal(err)
	}
	const minutes = 60.0
	switch {
	case v.Test == "gross_range":
		return v.assess(Config{Sensor: span(t, p.Fail), User: span(t, p.Suspect)}, CheckGrossRange, minutes)
	case strings.HasPrefix(v.Test, "spike"):
		return v.assess(Config{SpikeSuspect: number(t, p.Suspect), SpikeFail: number(t, p.Fail)}, CheckSpike, minutes)
	case strings.HasPrefix(v.Test, "rate_of_change"):
		// StepSuspect is the step allowed within a minute.
		const step = 900
		return v.assess(Config{StepSuspect: p.PerSecond * step / scale(step, stepSeconds), Gap: 2 * step * time.Second}, CheckRateOfChange, 1)
	case strings.HasPrefix(v.Test, "flat_line"):
		return v.flat(p)
	case strings.HasPrefix(v.Test, "attenuated_signal"):
		// The extremes are kept by the hour: a day of the series is an hour here.
		// The measure is always the range, also where the published one is the
		// standard deviation.
		window := time.Duration(len(v.Input)) * time.Hour
		if p.PeriodS > 0 {
			window = time.Duration(p.PeriodS / 24 * float64(time.Second))
		}
		return v.assess(Config{AttenuatedSuspect: number(t, p.Suspect), AttenuatedFail: number(t, p.Fail), AttenuatedWindow: window},
			CheckAttenuated, 1.0/24)
	}
	t.Fatalf("no test called %q", v.Test)
	return nil
}

// values are the inputs, NaN where one is missing.
func (v vector) values() []float64 {
	x := make([]float64, len(v.Input))
	for i, in := range v.Input {
		x[i] = math.NaN()
		if in != nil {
			x[i] = *in
		}
	}
	return x
}

// seconds are the times of the readings; a series without times is evenly
// spaced.
func (v vector) seconds(i int) float64 {
	if len(v.TimeS) == 0 {
		return float64(i)
	}
	return v.TimeS[i]
}

// assess gives the series to an Assessor in which nothing but one test is on,
// with its times stretched, and returns what that test says in the end: with
// the amendments of earlier flags.
func (v vector) assess(cfg Config, check Check, stretch float64) []sensors.Flag {
	a := NewAssessor(sensors.Temperature, cfg)
	flags := []sensors.Flag{}
	index := make(map[time.Time]int)
	for i, x := range v.values() {
		at := start.Add(time.Duration(v.seconds(i) * stretch * float64(time.Second)))
		index[at] = i
		_, found := a.Assess(at, x)
		flags = append(flags, verdict(found, check))
		if amendment, ok := a.Amendment(); ok {
			flags[index[amendment.Time]] = amendment.Flag
		}
	}
	return flags
}

// verdict is what one test says in the findings of a reading.
func verdict(found []Finding, check Check) sensors.Flag {
	flag := sensors.Pass
	for _, f := range found {
		compares := check == CheckSpike || check == CheckRateOfChange
		if f.Check == check || f.Check == CheckValue || f.Check == CheckGap && compares {
			flag = worse(flag, f.Flag)
		}
	}
	return flag
}

// flat gives the series to the flat-line test of the Assessor with the limits
// of the series; the Assessor's own follow from what a sensor's past teaches.
func (v vector) flat(p vectorParams) []sensors.Flag {
	const least = 3
	flags := []sensors.Flag{}
	var r FlatRun
	last := math.NaN()
	for i, x := range v.values() {
		if math.IsNaN(x) {
			flags = append(flags, sensors.Missing)
			continue
		}
		now := v.seconds(i)
		if math.IsNaN(last) {
			last = now
		}
		r.take(int64(now*1000), x, now-last, p.Tolerance)
		flags = append(flags, r.grade(least, p.SuspectS, p.FailS))
		last = now
	}
	return flags
}

// TestPublishedVectors checks every series of ioos/ioos_qc
// tests/test_qartod.py at c91d50c3 (numbers only) against the tests that the
// program runs. Beside a missing sample the published spike flags come from
// masked arithmetic; the rule there is 2.
func TestPublishedVectors(t *testing.T) {
	file := publishedVectors(t)
	if len(file.Vectors) != 35 {
		t.Errorf("%d series, want 35", len(file.Vectors))
	}
	departures := departures()
	for i, v := range file.Vectors {
		t.Run(fmt.Sprintf("%d %s", i, v.Test), func(t *testing.T) {
			want := append([]sensors.Flag{}, v.Published...)
			for _, i := range v.DiffersAt {
				want[i] = sensors.NotEvaluated
			}
			if diff := cmp.Diff(v.Recomputed, want); diff != "" {
				t.Fatalf("the file's own two readings differ elsewhere (-recomputed +published): %s", diff)
			}
			for _, d := range departures[i] {
				for row, flag := range d.rows {
					if want[row] == flag {
						t.Errorf("row %d is published as %v and so is no departure (%s)", row, flag, d.why)
					}
					want[row] = flag
				}
			}
			if diff := cmp.Diff(want, v.run(t)); diff != "" {
				t.Errorf("flags (-want +got): %s", diff)
			}
		})
	}
}

// TestPublishedClimatology checks the published edge cases of expected air.
func TestPublishedClimatology(t *testing.T) {
	day := func(s string) time.Time {
		at, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	c := publishedVectors(t).Climatology
	cfg := Config{Climate: []Climate{{
		From: day(c.Tspan[0]), To: day(c.Tspan[1]), Height: Span{c.Z[0], c.Z[1]},
		Suspect: Span{c.Suspect[0], c.Suspect[1]}, Fail: Span{c.Fail[0], c.Fail[1]},
	}}}
	if len(c.Cases) != 16 {
		t.Errorf("%d cases, want 16", len(c.Cases))
	}
	for _, k := range c.Cases {
		cfg.HeightMeters = k.Z
		_, found := NewAssessor(sensors.Temperature, cfg).Assess(day(k.T), k.V)
		if got := verdict(found, CheckClimatology); got != k.Flag {
			t.Errorf("at %s of %g, z %g: %v, want %v", k.T, k.V, k.Z, got, k.Flag)
		}
	}
}
