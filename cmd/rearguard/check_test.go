package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rearguard/cmd/internal/cli"

	"github.com/google/go-cmp/cmp"
)

const samplePath = "../../deploy/examples/facility.yaml"

func setSampleSecrets(t *testing.T) {
	t.Helper()
	for _, name := range []string{"REARGUARD_BROKER_PASSWORD", "REARGUARD_MAIL_PASSWORD", "REARGUARD_HOOK_SECRET"} {
		t.Setenv(name, "x")
	}
}

func TestCheckSample(t *testing.T) {
	setSampleSecrets(t)
	stdout, _, err := runProgram(t, &checkCommand{}, "", "--config", samplePath)
	if err != nil {
		t.Fatal(err)
	}
	want := samplePath + " is good: 3 rooms, 5 sensors on 5 topics, 2 people, 3 channels.\n"
	if diff := cmp.Diff(want, stdout); diff != "" {
		t.Errorf("output (-want +got):\n%s", diff)
	}
}

func TestCheckFaultyFile(t *testing.T) {
	golden, err := os.ReadFile("testdata/check/faulty.txt")
	if err != nil {
		t.Fatal(err)
	}
	stdout, _, err := runProgram(t, &checkCommand{}, "", "--config", "testdata/check/faulty.yaml")
	if err == nil || cli.IsUnusable(err) || !strings.HasSuffix(err.Error(), ": 8 faults") {
		t.Errorf("error = %v, want 8 faults and exit status 1", err)
	}
	if diff := cmp.Diff(string(golden), stdout); diff != "" {
		t.Errorf("output (-want +got):\n%s", diff)
	}
}

func TestCheckJSON(t *testing.T) {
	stdout, _, err := runProgram(t, &checkCommand{}, "", "--json", "--config", "testdata/check/faulty.yaml")
	if err == nil || cli.IsUnusable(err) {
		t.Errorf("error = %v, want exit status 1", err)
	}
	var report checkReport
	if err := json.Unmarshal([]byte(stdout), &report); err != nil {
		t.Fatal(err)
	}
	if report.Good || len(report.Faults) != 8 || report.Faults[0].Line != 3 || report.Faults[0].Column != 3 || report.Faults[0].Advice != "did you mean timezone?" {
		t.Errorf("report = %+v", report)
	}
	setSampleSecrets(t)
	stdout, _, err = runProgram(t, &checkCommand{}, "", "--json", "--config", samplePath)
	if err != nil {
		t.Fatal(err)
	}
	want := `{"file":"` + samplePath + `","good":true,"faults":[],"rooms":3,"sensors":5,"topics":5,"people":2,"channels":3,"remarks":[],"orphans":[]}` + "\n"
	if diff := cmp.Diff(want, stdout); diff != "" {
		t.Errorf("output (-want +got):\n%s", diff)
	}
}

func TestCheckRemarks(t *testing.T) {
	path := filepath.Join(t.TempDir(), "facility.yaml")
	text := "facility: {name: T}\nbroker: {address: \"tcp://127.0.0.1\", client_id: t}\nrooms: [{id: cellar}]\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	stdout, _, err := runProgram(t, &checkCommand{}, "", "--config", path)
	if err != nil || !strings.Contains(stdout, "1 room, 0 sensors on 0 topics, 0 people, 0 channels") ||
		!strings.Contains(stdout, "Remark: room cellar has no sensor") || !strings.Contains(stdout, "Remark: the roster is empty") {
		t.Errorf("output %q, %v", stdout, err)
	}
}

func TestCheckUnreadableFile(t *testing.T) {
	for _, path := range []string{filepath.Join(t.TempDir(), "none.yaml"), t.TempDir()} {
		if _, _, err := runProgram(t, &checkCommand{}, "", "--config", path); !cli.IsUnusable(err) {
			t.Errorf("%s: error = %v, want exit status 2", path, err)
		}
	}
}
