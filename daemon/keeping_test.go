package daemon

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// restored is what a start on a copy of the records finds, as after a kill, and
// how many readings it goes through for that.
func (r *rig) restored() (*snapshot.Snapshot, int) {
	r.t.Helper()
	copied := filepath.Join(r.t.TempDir(), "copy.db")
	for _, suffix := range []string{"", "-wal"} {
		body, err := os.ReadFile(r.path + suffix)
		if err != nil && suffix == "" {
			r.t.Fatal(err)
		}
		if err := os.WriteFile(copied+suffix, body, 0o600); err != nil {
			r.t.Fatal(err)
		}
	}
	reader, err := records.OpenReader(r.t.Context(), copied)
	if err != nil {
		r.t.Fatal(err)
	}
	defer reader.Close()
	var log bytes.Buffer
	f, err := fold.Restore(r.t.Context(), fold.Options{Facility: r.facility, Catalog: r.catalog, Logger: slog.New(slog.NewJSONHandler(&log, nil))}, reader, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	for line := range bytes.Lines(log.Bytes()) {
		said := struct{ Readings *int }{}
		if err := json.Unmarshal(line, &said); err != nil {
			r.t.Fatal(err)
		}
		if said.Readings != nil {
			return f.Snapshot(), *said.Readings
		}
	}
	r.t.Fatalf("a restore does not say how much it went through: %s", log.String())
	return nil, 0
}

// However much came since the last half hour, a start goes through little of it:
// the state is kept by volume, and when the program ends.
func TestStartGoesThroughLittle(t *testing.T) {
	const keepAfter, backlog = 100, 1000
	r := newRigWith(t, foldtest.Facility)
	r.keepAfter = keepAfter
	r.start(testStart)
	at := testStart.Add(time.Second)
	r.monarchs(testStart)
	r.pass(&at, 40, 25)
	for m := range backlog {
		taken := testStart.Add(time.Duration(m-backlog) * time.Minute)
		r.messages <- sensors.Message{
			Topic: "t/nursery/a", Payload: fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":70}`, taken.Unix(), 25+0.01*float64(m%3)),
			Received: at, Ack: func() { r.acked.Add(1) }, Delivery: sensors.Delivery{Queued: true},
		}
	}
	r.pass(&at, 1, 25)
	r.records()
	live := r.engine.Snapshot()
	killed, readings := r.restored()
	if readings > keepAfter+batchLimit {
		t.Errorf("after a kill a start goes through %d readings, want at most %d", readings, keepAfter+batchLimit)
	}
	same := func(what string, live, got *snapshot.Snapshot) {
		t.Helper()
		if d := cmp.Diff(live.Cohorts, got.Cohorts); d != "" {
			t.Errorf("cohorts %s:\n%s", what, d)
		}
		if d := cmp.Diff(live.Alarms, got.Alarms); d != "" {
			t.Errorf("alarms %s:\n%s", what, d)
		}
	}
	same("after a kill", live, killed)
	r.stop()
	stopped, readings := r.restored()
	if readings != 0 {
		t.Errorf("after a stop a start goes through %d readings", readings)
	}
	same("after a stop", r.engine.Snapshot(), stopped)
}
