package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon"
	"rearguard/daemon/fold"
	"rearguard/daemon/planning"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// written is a facility whose records hold eight days of air, a finished
// cohort of eggs and one being reared; it returns its configuration.
func written(t *testing.T) (config string, end time.Time) {
	t.Helper()
	dir := t.TempDir()
	config = filepath.Join(dir, "facility.yaml")
	text := `facility: {name: Written, timezone: UTC}
records: {path: records.db}
broker: {address: "tcp://127.0.0.1:1883", client_id: written}
ingest: {age_limit: 2400h}
rooms: [{id: nursery, name: Nursery}]
sensors: [{id: a, room: nursery, interval: 30m, inputs: [{topic: a, format: plain, values: [{quantity: temperature, unit: °C}]}]}]
`
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := cli.LoadFacility(config)
	if err != nil {
		t.Fatal(err)
	}
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		t.Fatal(err)
	}
	store, err := records.Open(t.Context(), f.Records.Path, records.Options{Synchronous: records.Normal})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	begin := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	engine, err := daemon.New(t.Context(), daemon.Options{Options: fold.Options{Facility: f, Catalog: catalog, Logger: slog.New(slog.DiscardHandler)}, Store: store, Now: timekeeping.Right(begin)})
	if err != nil {
		t.Fatal(err)
	}
	messages := make(chan sensors.Message)
	done := make(chan error, 1)
	go func() { done <- engine.Run(context.Background(), daemon.Sources{Messages: messages}) }()
	for m := range 8*48 + 1 {
		end = begin.Add(time.Duration(m) * 30 * time.Minute)
		messages <- sensors.Message{Topic: "a", Received: end, Payload: fmt.Appendf(nil, "%.2f", 25+0.5*math.Sin(float64(m)/8)), Ack: func() {}}
	}
	cohort := func(id population.CohortID, start time.Time) fold.AddCohort {
		return fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
			ID: id, Species: "danaus-plexippus", Start: start, StartStage: "egg", Individuals: 50,
			Placements: []population.Placement{{Room: "nursery", From: start}},
		}}
	}
	count := func(after time.Duration, seen int) fold.RecordCount {
		return fold.RecordCount{Count: population.Count{Cohort: "old-eggs", Time: begin.Add(after), Stage: "larva-1", Seen: seen, Of: 50, OrBeyond: true, By: "keeper"}}
	}
	for _, c := range []fold.Command{
		cohort("old-eggs", begin.Add(time.Hour)), count(69*time.Hour, 12), count(77*time.Hour, 41),
		fold.EndCohort{Cohort: "old-eggs", At: begin.Add(80 * time.Hour), Who: "keeper"}, cohort("reared", begin.Add(2*time.Hour)),
	} {
		if err := engine.Do(t.Context(), c); err != nil {
			t.Fatal(err)
		}
	}
	close(messages)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return config, end
}

// command runs the program as main does.
func command(t *testing.T, args ...string) (code int, out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	code = rearguard().Run(t.Context(), &cli.Env{In: strings.NewReader(""), Out: &o, ErrOut: &e, Logger: slog.New(slog.DiscardHandler), Now: time.Now}, args)
	return code, o.String(), e.String()
}

func TestPlanAndLearnFromRecords(t *testing.T) {
	config, end := written(t)
	day := func(after int) string { return end.AddDate(0, 0, after).Format(time.DateOnly) }

	table := filepath.Join(filepath.Dir(config), "air.csv")
	if err := os.WriteFile(table, []byte("time,temperature\n"+day(0)+"T00:00,24\n"+day(40)+"T00:00,27\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errOut := command(t, "plan", "emergences", "--config", config, "--species", "danaus-plexippus", "--count", "60", "--by", day(45), "--json")
	var options []planning.EmergenceOption
	if err := json.Unmarshal([]byte(out), &options); code != cli.ExitGood || err != nil || len(options) != 1 || len(options[0].Plans) == 0 || options[0].Plans[0].Eggs < 60 {
		t.Errorf("emergences: %d, %v %s\n%s", code, err, errOut, out)
	}
	for name, c := range map[string]struct {
		args []string
		code int
		want string
	}{
		"emergences too soon":       {[]string{"plan", "emergences", "--species", "danaus-plexippus", "--count", "60", "--by", day(5)}, cli.ExitFound, "no number of eggs meets the request"},
		"emergences at a set point": {[]string{"plan", "emergences", "--species", "danaus-plexippus", "--count", "60", "--by", day(60), "--celsius", "26"}, cli.ExitGood, "eggs laid on"},
		"emergences in a given air": {[]string{"plan", "emergences", "--species", "danaus-plexippus", "--count", "60", "--by", day(60), "--air", table}, cli.ExitGood, "the given course of temperatures"},
		"shipping":                  {[]string{"plan", "shipping", "--cohort", "reared", "--celsius", "18", "--transit", "36h"}, cli.ExitGood, "days left after arrival"},
		"food":                      {[]string{"plan", "food", "--species", "danaus-plexippus", "--grams", "12"}, cli.ExitGood, "larvae feeding"},
		"shift":                     {[]string{"plan", "shift", "--cohort", "reared", "--to", day(25)}, cli.ExitGood, "Safe for every stage"},
		"a deadly set point":        {[]string{"plan", "shift", "--cohort", "reared", "--to", day(25), "--celsius", "45"}, cli.ExitUnusable, "outside the safe limits"},
		"learn":                     {[]string{"learn"}, cli.ExitGood, "danaus-plexippus, egg: 1 observation\n"},
		"learn, undecided":          {[]string{"learn"}, cli.ExitGood, "nobody has decided yet"},
	} {
		code, out, errOut := command(t, append(c.args, "--config", config)...)
		if code != c.code || !strings.Contains(out+errOut, c.want) {
			t.Errorf("%s: status %d, want %d and %q\n%s%s", name, code, c.code, c.want, out, errOut)
		}
	}
	code, out, errOut = command(t, "learn", "--config", config, "--json")
	var fits []learnReport
	if err := json.Unmarshal([]byte(out), &fits); code != cli.ExitGood || err != nil || len(fits) != 1 || fits[0].Proposal == nil || len(fits[0].Observations) != 1 {
		t.Errorf("learn --json: %d, %v %s\n%s", code, err, errOut, out)
	}
}

// The records that this program writes are those that prove replays, the
// counts of a finished cohort among them.
func TestProveReplaysRecords(t *testing.T) {
	config, _ := written(t)
	out, err := exec.CommandContext(t.Context(), "go", "run", "-race=false", "../prove", "forecasts", "--cohorts", "4", "--config", config).CombinedOutput()
	if want := "of 2 counts fell into their 80 % interval"; err != nil || !strings.Contains(string(out), want) {
		t.Errorf("%v, want %q\n%s", err, want, out)
	}
}
