package daemon_test

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/lookback"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// The recorded month: thirty days of the invented facility as the engine
// stored them, and what came out. See month_record_test.go for how it is made.
const (
	monthFolder  = "testdata/month"
	monthRecords = "records.db.zst"
	// monthFirst is the recording of an older program.
	monthFirst     = "first.db.zst"
	monthFacility  = "facility.yaml"
	monthReplayed  = "replayed.golden.txt"
	monthRestored  = "restored.golden.txt"
	monthSecretEnv = "REARGUARD_TEST_SECRET"
	monthUpdateEnv = "REARGUARD_UPDATE"
	// monthForecastEvery keeps the test short.
	monthForecastEvery = 6 * time.Hour
)

// monthSecret stands for the secret of the invented phone.
const monthSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

// A month of recorded history gives the same alarms, cohorts and state as it
// gave when the golden was written, to the last digit shown. A change that is
// meant to alter what comes out rewrites the golden (REARGUARD_UPDATE=1) and
// shows in its difference what it altered.
func TestMonthReplaysAsRecorded(t *testing.T) {
	foldtest.WithoutRace(t)
	path := unpackMonth(t)
	reader, err := records.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	words := newMonthWords(t)
	replayed, err := lookback.Replay(t.Context(), lookback.ReplayOptions{
		Facility: monthOf(t), Catalog: speciestest.Library(t), Records: reader, Logger: slog.New(slog.DiscardHandler), ForecastEvery: monthForecastEvery,
		Batch: words.take,
	})
	if err != nil {
		t.Fatal(err)
	}
	words.check()
	var happened, again page
	recorded, err := reader.AlarmTransitions(t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	// The month was recorded by a program that called for each alarm by itself,
	// once, and did not repeat.
	first := func(steps []records.AlarmTransition) []records.AlarmTransition {
		steps = slices.DeleteFunc(slices.Clone(steps), func(s records.AlarmTransition) bool { return s.Event == alerts.EventRepeat })
		for i := range steps {
			steps[i].Annunciate = false
		}
		return steps
	}
	happened.transitions(first(recorded))
	again.transitions(first(replayed.Transitions))
	if d := firstDifference(happened.String(), again.String()); d != "" {
		t.Errorf("alarms as they happened and as replayed differ: %s", d)
	}
	var p page
	p.line("replayed", "readings", replayed.Readings, "notices", replayed.Notices, "steps", len(replayed.Transitions))
	p.transitions(replayed.Transitions)
	p.snapshot(replayed.Final)
	compareGolden(t, monthReplayed, p.String())
}

// The other way a state is made: an engine that takes up the records where
// they ended.
func TestMonthIsRestoredAsRecorded(t *testing.T) {
	foldtest.WithoutRace(t)
	store, err := records.Open(t.Context(), unpackMonth(t), records.Options{Synchronous: records.Normal})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	marks, err := store.LoadMarks(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	engine, err := daemon.New(t.Context(), daemon.Options{
		Options: monthOptions(monthOf(t), speciestest.Library(t)), Store: store, Now: timekeeping.Right(marks.Clock),
	})
	if err != nil {
		t.Fatal(err)
	}
	var p page
	p.snapshot(engine.Snapshot())
	p.WriteString("\nsix hours later\n")
	goOn(t, engine, marks.Clock)
	steps, err := store.AlarmTransitions(t.Context(), marks.Clock.Add(time.Millisecond), past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	p.transitions(steps)
	p.snapshot(engine.Snapshot())
	compareGolden(t, monthRestored, p.String())
}

// goOn runs an engine for six hours in which no sensor is heard, and has it go
// back into its past.
func goOn(t *testing.T, engine *daemon.Engine, from time.Time) {
	t.Helper()
	messages, ticks, done := make(chan sensors.Message), make(chan timekeeping.Beat), make(chan error, 1)
	go func() { done <- engine.Run(t.Context(), daemon.Sources{Messages: messages, Ticks: ticks}) }()
	do := func(c fold.Command) {
		t.Helper()
		if err := engine.Do(t.Context(), c); err != nil {
			t.Fatal(err)
		}
	}
	cohort := engine.Snapshot().Cohorts[0]
	do(fold.RecordCount{Count: population.Count{
		Cohort: cohort.ID, Time: from.Add(-50 * time.Hour), Stage: cohort.Stage, Seen: 10, Of: 20, Lost: 2, Cause: "mould", By: "Mara",
	}})
	do(fold.ReapplyCalibration{Sensor: "flight-canopy", Quantity: sensors.Temperature, From: from.Add(-80 * time.Hour), Who: "Ines"})
	for at := from; at.Before(from.Add(6 * time.Hour)); at = at.Add(time.Minute) {
		ticks <- timekeeping.Right(at)
	}
	close(messages)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// The first recording was made by a program of an older schema. It is opened, and
// what it holds is all there.
func TestOlderMonthIsStillRead(t *testing.T) {
	reader, err := records.OpenReader(t.Context(), unpack(t, monthFirst))
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	readings := 0
	for days, err := range reader.ScanDays(t.Context(), nil, time.Time{}, past.FarFuture()) {
		if err != nil {
			t.Fatal(err)
		}
		for _, series := range days {
			readings += series.Len()
		}
	}
	alarms, err := reader.AlarmHistory(t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	steps, err := reader.AlarmTransitions(t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	if got, want := [...]int{readings, len(alarms), len(steps)}, [...]int{114331, 85, 303}; got != want {
		t.Errorf("readings, alarms and steps are %v, want %v", got, want)
	}
}

// unpackMonth puts a copy of the recorded month into a folder of the test.
func unpackMonth(t *testing.T) string { return unpack(t, monthRecords) }

func unpack(t *testing.T, recording string) string {
	t.Helper()
	packed, err := os.ReadFile(filepath.Join(monthFolder, recording))
	if err != nil {
		t.Fatal(err)
	}
	decoder, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer decoder.Close()
	body, err := decoder.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "month.db")
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
	// The recording has the schema of its time.
	store, err := records.Open(t.Context(), path, records.Options{Synchronous: records.Normal})
	if err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// monthOf is the configuration that was in force when the month ended.
func monthOf(t *testing.T) *facility.Facility {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(monthFolder, monthFacility))
	if err != nil {
		t.Fatal(err)
	}
	return parseMonth(t, text)
}

// monthOptions are the fold's options of the month.
func monthOptions(f *facility.Facility, catalog *species.Catalog) fold.Options {
	return fold.Options{Facility: f, Catalog: catalog, Logger: slog.New(slog.DiscardHandler), Invented: true, ForecastEvery: monthForecastEvery}
}

func parseMonth(t *testing.T, text []byte) *facility.Facility {
	t.Helper()
	t.Setenv(monthSecretEnv, monthSecret)
	f, err := facility.Parse(monthFacility, text)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func compareGolden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join(monthFolder, name)
	if os.Getenv(monthUpdateEnv) != "" {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := firstDifference(string(want), got); d != "" {
		t.Errorf("%s (-golden +now): %s", path, d)
	}
}

// differencesShown bounds what a failed comparison prints.
const differencesShown = 10

// firstDifference shows the first lines in which two texts differ, empty when
// they are the same.
func firstDifference(want, got string) string {
	if want == got {
		return ""
	}
	a, b := strings.Split(want, "\n"), strings.Split(got, "\n")
	var out strings.Builder
	fmt.Fprintf(&out, "%d lines and %d lines", len(a), len(b))
	shown := 0
	for i := range max(len(a), len(b)) {
		var one, other string
		if i < len(a) {
			one = a[i]
		}
		if i < len(b) {
			other = b[i]
		}
		if one == other {
			continue
		}
		if shown++; shown > differencesShown {
			out.WriteString("\nand so on")
			break
		}
		fmt.Fprintf(&out, "\nline %d\n-%s\n+%s", i+1, one, other)
	}
	return out.String()
}
