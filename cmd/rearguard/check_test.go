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
	want := samplePath + ` is good: 3 rooms, 5 sensors on 5 topics, 2 people, 3 channels.
On Tue 9 Jun 14:00, called for critical alarms: Keeper on duty; unless somebody answers, then Facility lead.
On Tue 9 Jun 14:00, called for high alarms: Keeper on duty; unless somebody answers, then Facility lead.
On Tue 9 Jun 14:00, called for medium alarms: Keeper on duty.
`
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
	want := `{"file":"` + samplePath + `","good":true,"faults":[],"rooms":3,"sensors":5,"topics":5,"people":2,"channels":3,"on_duty":[` +
		`{"priority":"critical","at":"2026-06-09T14:00:00+02:00","called":["Keeper on duty"],"then":["Facility lead"]},` +
		`{"priority":"high","at":"2026-06-09T14:00:00+02:00","called":["Keeper on duty"],"then":["Facility lead"]},` +
		`{"priority":"medium","at":"2026-06-09T14:00:00+02:00","called":["Keeper on duty"],"then":[]}],"remarks":[],"orphans":[]}` + "\n"
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

// A roster in which nobody is called at times is a remark; what can never hold
// is a fault with its line.
func TestCheckRoster(t *testing.T) {
	dir := t.TempDir()
	check := func(roster string) (string, error) {
		t.Helper()
		path := filepath.Join(dir, "facility.yaml")
		text := `facility: {name: T, timezone: Europe/Berlin}
broker: {address: "tcp://127.0.0.1", client_id: t}
web: {public_url: "https://example.org"}
rooms: [{id: cellar}]
channels: [{id: hook, kind: webhook, url: "https://example.org", secret_env: REARGUARD_HOOK_SECRET}]
` + roster
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		t.Setenv("REARGUARD_HOOK_SECRET", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
		stdout, _, err := runProgram(t, &checkCommand{}, "", "--config", path)
		return stdout, err
	}
	stdout, err := check(`people: [{id: ines, name: Ines, away: [{from: 2026-06-20, to: 2026-06-21}]}, {id: ben, name: Ben, away: [{from: 2026-06-21, to: 2026-06-21}]}]
holidays: [2026-06-19]
roster: [{who: [ines, ben], channels: [hook], turns: in order, hours: "08:00..06:00", days: [mon..sun, holidays], quiet: {medium: "22:00..07:00"}}]
`)
	for _, want := range []string{
		"Remark: nobody is called for critical alarms every day 06:00 to 08:00; everybody of the roster would be.\n",
		"Remark: nobody is called for medium alarms every day 06:00 to 08:00.\n",
		"Remark: everybody of one line of the roster is away from 2026-06-21 to 2026-06-21: Ines, Ben.\n",
		"On Tue 9 Jun 14:00, called for critical alarms: Ines; unless somebody answers, then Ben.\n",
	} {
		if err != nil || !strings.Contains(stdout, want) {
			t.Errorf("no %q in (%v):\n%s", want, err, stdout)
		}
	}
	for _, c := range []struct{ roster, want string }{
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [ines], channels: [hook], days: [holidays]}]\n", "facility.yaml:7:48: this line never holds"},
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [ines], channels: [hook], hours: \"22:00..22:00\"}]\n", "22:00..22:00 is no time at all"},
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [ines], channels: [hook], turns: weekly, from: 2026-06-01}]\n", "weekly turns need hands_over"},
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [ines], channels: [hook], hands_over: \"mon 07:00\"}]\n", "hands_over belongs to weekly turns"},
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [ines, ines], channels: [hook]}]\n", "ines stands twice in this line"},
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [ines], channels: [hook], quiet: {critical: \"22:00..07:00\"}}]\n", "critical alarms wake people at any hour"},
		{"people: [{id: ines, name: Ines, away: [{from: 2026-06-21, to: 2026-06-20}]}]\nroster: [{who: [ines], channels: [hook]}]\n", "the last day, 2026-06-20, is before the first, 2026-06-21"},
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [ines], channels: [hook], days: [monday]}]\n", "\"monday\" is not a day of the week such as mon"},
		{"people: [{id: ines, name: Ines}]\nroster: [{who: [bob], channels: [hook]}]\n", "unknown person \"bob\""},
	} {
		if stdout, err := check(c.roster); err == nil || !strings.Contains(stdout, c.want) {
			t.Errorf("no %q in (%v):\n%s", c.want, err, stdout)
		}
	}
}
