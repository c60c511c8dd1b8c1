package faults

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// TestCleanRooms wants no complaint about any kind of room, sound and well run:
// day and night steps, doors, mist, steady air, air near saturation, cold.
func TestCleanRooms(t *testing.T) {
	for i, k := range kinds() {
		t.Run(k.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(TuningSeed, uint64(100+i)))
			f := newFacility(r, []kind{k}, func(id sensors.SensorID, check quality.Check, at time.Time) {
				t.Errorf("%s: %s on %s", id, check, at.Format(time.DateTime))
			})
			f.run(40*daySeconds, nil)
		})
	}
}

// TestFaultTable holds the goals: every fault found, in time to matter, and
// less than one false episode a sensor-year.
func TestFaultTable(t *testing.T) {
	worst := map[Fault]time.Duration{
		Spike: time.Hour, Stuck: 72 * time.Hour, DriftSlow: 14 * 24 * time.Hour, NoiseFive: 12 * time.Hour,
		Dropout: 3 * time.Hour, Exchanged: 3 * time.Hour, Condensation: 4 * time.Hour,
		BatteryFade: 45 * 24 * time.Hour, Fahrenheit: time.Hour, RatioForRH: time.Hour,
	}
	table := Measure(TuningSeed, Options{Trials: 4, CleanDays: 60})
	if len(table.Rows) != len(All()) {
		t.Fatalf("%d rows for %d faults", len(table.Rows), len(All()))
	}
	for _, r := range table.Rows {
		limit, all := worst[r.Fault]
		if all && (r.Found != r.Trials || r.Named != r.Trials) {
			t.Errorf("%s: found %d and named %d of %d", r.Fault, r.Found, r.Named, r.Trials)
		}
		if all && r.DelayWorstSeconds > limit.Seconds() {
			t.Errorf("%s: worst delay %s, want within %v", r.Fault, span(r.DelayWorstSeconds), limit)
		}
	}
	if c := table.Clean; c.PerSensorYear >= 1 || c.SensorYears < 1.9 {
		t.Errorf("%d false episodes in %.1f sensor-years: %v", c.Episodes, c.SensorYears, c.ByCheck)
	}
	small := Options{Trials: 1, CleanDays: 3}
	if diff := cmp.Diff(Measure(HeldOutSeed, small), Measure(HeldOutSeed, small)); diff != "" {
		t.Errorf("the same seed gives another table: %s", diff)
	}

	var text strings.Builder
	table.print(&text, "tuning seed")
	for _, f := range All() {
		if !strings.Contains(text.String(), string(f)) {
			t.Errorf("text lacks %q", f)
		}
	}
	data, err := json.Marshal(table)
	if err != nil {
		t.Fatal(err)
	}
	var back Table
	if err := json.NewDecoder(bytes.NewReader(data)).Decode(&back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(table, back); diff != "" {
		t.Errorf("JSON loses something: %s", diff)
	}
}

// TestBlindToFaultsNotThere makes sure that the trial counts only what comes
// after the fault: without one, nothing is found.
func TestBlindToFaultsNotThere(t *testing.T) {
	out := trial(rand.New(rand.NewPCG(TuningSeed, 5)), None)
	if out.first >= 0 || out.named >= 0 || out.blamed > 0 {
		t.Errorf("found %+v without a fault", out)
	}
}

type brokenPipe struct{}

var errPipe = errors.New("broken pipe")

func (brokenPipe) Write([]byte) (int, error) { return 0, errPipe }

func TestWriteReport(t *testing.T) {
	rep := Report{Tuning: &Table{Seed: 1}, HeldOut: &Table{Seed: 2}}
	for name, write := range map[string]func(io.Writer) error{"json": rep.WriteJSON, "text": rep.WriteText} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		if (name == "json") != json.Valid(b.Bytes()) || b.Len() == 0 {
			t.Errorf("%s: %s", name, b.String())
		}
		if err := write(brokenPipe{}); !errors.Is(err, errPipe) {
			t.Errorf("%s: write error lost: %v", name, err)
		}
	}
}

func TestSpan(t *testing.T) {
	for seconds, want := range map[float64]string{35: "35 s", 600: "10 min", 3 * 3600: "3.0 h", 7 * 86400: "7.0 days"} {
		if got := span(seconds); got != want {
			t.Errorf("%g s written %q, want %q", seconds, got, want)
		}
	}
}
