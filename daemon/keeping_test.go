package daemon

import (
	"context"
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

// goneThrough is a log that notes how many readings a restore went through.
type goneThrough struct{ readings int64 }

func (g *goneThrough) Enabled(context.Context, slog.Level) bool { return true }
func (g *goneThrough) WithAttrs([]slog.Attr) slog.Handler       { return g }
func (g *goneThrough) WithGroup(string) slog.Handler            { return g }

func (g *goneThrough) Handle(_ context.Context, r slog.Record) error {
	r.Attrs(func(a slog.Attr) bool {
		if a.Key == "readings" {
			g.readings = a.Value.Int64()
		}
		return true
	})
	return nil
}

// restored is what a start on a copy of the records finds, as after a kill, and
// how many readings it goes through for that.
func (r *rig) restored() (*snapshot.Snapshot, int64) {
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
	seen := &goneThrough{readings: -1}
	f, err := fold.Restore(r.t.Context(), fold.Options{Facility: r.facility, Catalog: r.catalog, Logger: slog.New(seen)}, reader, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	return f.Snapshot(), seen.readings
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
	if readings < 0 || readings > keepAfter+batchLimit {
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
