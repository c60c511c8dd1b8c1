package facility_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/daemon/facility"
	"rearguard/daemon/strict"
	"rearguard/sensors"
)

var newcomer = facility.Sensor{
	ID: "newcomer", Room: "a", Position: "shelf 3: left", Interval: time.Minute,
	Inputs: []facility.Input{{
		Topic: "site/new", Format: "json", Time: &facility.TimeField{At: "/ts", Unit: "ms"},
		Values: []facility.Value{{Quantity: sensors.Temperature, At: "/t", Unit: "°C"}, {Quantity: sensors.RelativeHumidity, At: "/h", Unit: "%"}},
	}},
}

const newcomerText = `- id: newcomer
  room: a
  position: "shelf 3: left"
  interval: 1m0s
  inputs:
    - topic: site/new
      format: json
      time: {at: /ts, unit: ms}
      values:
        - {quantity: temperature, at: /t, unit: "°C"}
        - {quantity: humidity, at: /h, unit: "%"}
`

func indentedNewcomer() string {
	return "  " + strings.TrimSuffix(strings.ReplaceAll(newcomerText, "\n", "\n  "), "  ")
}

func TestAddSensorKeepsTheRestOfTheFile(t *testing.T) {
	const first = "sensors: # all of them\n  # the old one\n  - id: s\n    inputs:\n      - topic: t\n        format: plain\n        values: [{quantity: temperature, unit: K}]\n"
	tests := map[string]struct{ before, after string }{
		"no list yet":                        {base, base + "\nsensors:\n" + indentedNewcomer()},
		"no list and no line break":          {strings.TrimSuffix(base, "\n"), base + "\nsensors:\n" + indentedNewcomer()},
		"at the end":                         {base + first, base + first + indentedNewcomer()},
		"at the end without line break":      {base + strings.TrimSuffix(first, "\n"), base + first + indentedNewcomer()},
		"before another section":             {base + first + "\n# people follow\npeople: []\n", base + first + indentedNewcomer() + "\n# people follow\npeople: []\n"},
		"comment that belongs to the sensor": {base + first + "    # watch its battery\n", base + first + "    # watch its battery\n" + indentedNewcomer()},
		"dashes at the margin": {
			base + strings.ReplaceAll(first, "\n  ", "\n") + "people: []\n", base + strings.ReplaceAll(first, "\n  ", "\n") + newcomerText + "people: []\n",
		},
		"carriage returns": {
			strings.ReplaceAll(base+first, "\n", "\r\n"), strings.ReplaceAll(base+first+indentedNewcomer(), "\n", "\r\n"),
		},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "facility.yaml")
			if err := os.WriteFile(path, []byte(tt.before), 0o640); err != nil {
				t.Fatal(err)
			}
			f, err := facility.AddSensor(path, newcomer)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(newcomer, f.Sensors[len(f.Sensors)-1]); diff != "" {
				t.Errorf("sensor (-want +got):\n%s", diff)
			}
			after, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.after, string(after)); diff != "" {
				t.Errorf("file (-want +got):\n%s", diff)
			}
			if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o640 {
				t.Errorf("mode %v, %v, want the old one", info.Mode(), err)
			}
			onlyFile(t, path)
		})
	}
}

func onlyFile(t *testing.T, path string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(entries) != 1 {
		t.Errorf("left behind: %v, %v", entries, err)
	}
}

func TestAddSensorRefusesAndLeavesTheFile(t *testing.T) {
	taken := newcomer
	taken.ID, taken.Room = "s", "cellar"
	tests := map[string]struct {
		text    string
		sensor  facility.Sensor
		problem string
	}{
		"faulty sensor":    {base + "sensors:\n- {id: s, inputs: [{topic: t, format: plain, values: [{quantity: temperature, unit: K}]}]}\n", taken, `unknown room "cellar"`},
		"faulty file":      {base + "webb: {}\n", newcomer, "unknown key webb"},
		"list in brackets": {base + "sensors: []\n", newcomer, "in brackets"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "facility.yaml")
			if err := os.WriteFile(path, []byte(tt.text), 0o600); err != nil {
				t.Fatal(err)
			}
			if _, err := facility.AddSensor(path, tt.sensor); err == nil || !strings.Contains(err.Error(), tt.problem) {
				t.Errorf("error = %v, want %q", err, tt.problem)
			}
			if after, err := os.ReadFile(path); err != nil || string(after) != tt.text {
				t.Errorf("the file was changed: %s, %v", after, err)
			}
			onlyFile(t, path)
		})
	}
	if _, err := facility.AddSensor(filepath.Join(t.TempDir(), "none.yaml"), newcomer); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("error = %v, want that the file does not exist", err)
	}
}

func TestAddSensorFollowsALink(t *testing.T) {
	folder := t.TempDir()
	path, link := filepath.Join(folder, "real.yaml"), filepath.Join(folder, "facility.yaml")
	if err := os.WriteFile(path, []byte(base), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	if _, err := facility.AddSensor(link, newcomer); err != nil {
		t.Fatal(err)
	}
	if target, err := os.Readlink(link); err != nil || target != path {
		t.Errorf("the link leads to %q, %v", target, err)
	}
}

// Whatever a technician types comes back from the file as it was typed, or is
// refused.
func TestAddedSensorReadsBackAsItWas(t *testing.T) {
	path := filepath.Join(t.TempDir(), "facility.yaml")
	rapid.Check(t, func(t *rapid.T) {
		if err := os.WriteFile(path, []byte(base), 0o600); err != nil {
			t.Fatal(err)
		}
		s := newcomer
		s.Position = rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"no", "1e3", "~", "null", "- x", "a: b", "# c", "'", "\\", "2025-01-01", "0x1f", ".inf", "é", "\u0085", "\u2028", "\ufeff"})).Draw(t, "position")
		s.Inputs = []facility.Input{s.Inputs[0]}
		s.Inputs[0].Topic = rapid.StringMatching(`[ -~]{1,20}`).Draw(t, "topic")
		f, err := facility.AddSensor(path, s)
		if err != nil {
			var faults strict.Faults
			if !errors.As(err, &faults) || !strings.ContainsAny(s.Inputs[0].Topic, "+#$") {
				t.Fatalf("refused: %v", err)
			}
			return
		}
		if diff := cmp.Diff(s, f.Sensors[0]); diff != "" {
			t.Fatalf("read back (-want +got):\n%s", diff)
		}
	})
}
