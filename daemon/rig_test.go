package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/lookback"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

var testStart = foldtest.Start()

func minute(m int) time.Time { return testStart.Add(time.Duration(m) * time.Minute) }

// rig runs one engine on streams that the test feeds one event at a time.
type rig struct {
	t    testing.TB
	path string
	// options are those of the records; mostUnwritten and keepAfter, if set, are
	// the engine's.
	options       records.Options
	mostUnwritten int
	keepAfter     int
	facility      *facility.Facility
	catalog       *species.Catalog
	store         *records.Store
	engine        *Engine
	messages      chan sensors.Message
	ticks         chan timekeeping.Beat
	links         chan snapshot.Link
	cancel        context.CancelFunc
	done          chan error
	acked         atomic.Int64
}

func newRig(t *testing.T) *rig {
	t.Helper()
	return newRigOf(t, foldtest.Facility)
}

// newRigOf is newRig with another configuration.
func newRigOf(t *testing.T, text string) *rig {
	t.Helper()
	r := newRigWith(t, text)
	r.start(testStart)
	return r
}

// newRigWith is newRigOf, still to be started.
func newRigWith(t *testing.T, text string) *rig {
	t.Helper()
	r := &rig{
		t: t, path: filepath.Join(t.TempDir(), "test.db"), facility: foldtest.Parse(t, text), catalog: speciestest.Library(t),
		options: records.Options{Synchronous: records.Normal},
	}
	t.Cleanup(func() { r.stop() })
	return r
}

// start starts the engine; before is done ahead of it, with the records open.
func (r *rig) start(now time.Time, before ...func()) {
	r.t.Helper()
	r.startAt(timekeeping.Right(now), before...)
}

// startAt is start with a look at the machine's clocks.
func (r *rig) startAt(now timekeeping.Beat, before ...func()) {
	r.t.Helper()
	var err error
	if r.store, err = records.Open(r.t.Context(), r.path, r.options); err != nil {
		r.t.Fatal(err)
	}
	for _, do := range before {
		do()
	}
	ctx, cancel := context.WithCancel(context.Background())
	r.engine, err = New(ctx, Options{
		Options: fold.Options{Facility: r.facility, Catalog: r.catalog, Logger: slog.New(slog.DiscardHandler), KeepAfter: r.keepAfter},
		Store:   r.store, Now: now,
	})
	if err != nil {
		cancel()
		r.t.Fatal(err)
	}
	if r.mostUnwritten > 0 {
		r.engine.mostUnwritten = r.mostUnwritten
	}
	r.cancel = cancel
	r.messages, r.ticks, r.links = make(chan sensors.Message), make(chan timekeeping.Beat), make(chan snapshot.Link)
	r.done = make(chan error, 1)
	go func() {
		r.done <- r.engine.Run(ctx, Sources{Messages: r.messages, Ticks: r.ticks, Links: r.links})
	}()
}

// stop ends the engine cleanly.
func (r *rig) stop() {
	if r.cancel == nil {
		return
	}
	r.cancel()
	r.cancel = nil
	if err := <-r.done; err != nil {
		r.t.Error(err)
	}
	if err := r.store.Close(); err != nil {
		r.t.Error(err)
	}
}

func (r *rig) send(topic, payload string, at time.Time) {
	r.messages <- sensors.Message{Topic: topic, Payload: []byte(payload), Received: at, Ack: func() { r.acked.Add(1) }}
}

// air sends one message of each nursery sensor.
func (r *rig) air(at time.Time, temperature, humidity float64) {
	body := fmt.Sprintf(`{"ts":%d,"t":%g,"h":%g}`, at.Unix(), temperature, humidity)
	r.send("t/nursery/a", body, at)
	r.send("t/nursery/b", body, at)
}

func (r *rig) tick(at time.Time) *snapshot.Snapshot {
	r.ticks <- timekeeping.Right(at)
	// A second tick is taken only when the first has been handled.
	r.ticks <- timekeeping.Right(at)
	return r.engine.Snapshot()
}

func (r *rig) do(c fold.Command) {
	r.t.Helper()
	if err := r.engine.Do(r.t.Context(), c); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) monarchs(at time.Time) {
	r.t.Helper()
	r.monarchsIn("monarch-1", "nursery", at)
}

func (r *rig) monarchsIn(id population.CohortID, room sensors.RoomID, at time.Time) {
	r.t.Helper()
	r.do(fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
		ID: id, Species: "danaus-plexippus", Start: at, StartStage: "egg", Individuals: 100,
		Placements: []population.Placement{{Room: room, From: at}},
	}})
}

// reader reads the rig's records beside the engine.
func (r *rig) reader() *records.Reader {
	r.t.Helper()
	reader, err := records.OpenReader(r.t.Context(), r.path)
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { reader.Close() })
	return reader
}

// replayed folds the rig's records anew.
func (r *rig) replayed() *lookback.Replayed {
	r.t.Helper()
	return r.replay(false, nil)
}

// replay is replayed, with the configurations of then or what is refused by the
// one of now.
func (r *rig) replay(follow bool, refused func(error)) *lookback.Replayed {
	r.t.Helper()
	got, err := lookback.Replay(r.t.Context(), lookback.ReplayOptions{
		Facility: r.facility, Catalog: r.catalog, Records: r.reader(), Logger: slog.New(slog.DiscardHandler),
		Follow: follow, Refused: refused,
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return got
}

func transitions(t testing.TB, path string) []records.AlarmTransition {
	t.Helper()
	reader, err := records.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	list, err := reader.AlarmTransitions(t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// commit stores readings beside the engine.
func (r *rig) commit(readings ...sensors.Reading) {
	r.t.Helper()
	if err := r.store.Commit(r.t.Context(), &records.Batch{Readings: readings, Clock: readings[len(readings)-1].Arrival}); err != nil {
		r.t.Fatal(err)
	}
}

// records waits until all that was handled is written, and returns the records.
func (r *rig) records() *records.Reader {
	written := make(chan error, 1)
	r.engine.commit.submit(job{done: written, after: func() {}})
	if err := <-written; err != nil {
		r.t.Fatal(err)
	}
	return r.store.Reader
}

// stored are the stored readings of a series.
func (r *rig) stored(id sensors.SensorID, q sensors.Quantity) []sensors.Reading {
	r.t.Helper()
	var out []sensors.Reading
	for reading, err := range r.records().Scan(r.t.Context(), []sensors.Series{{Sensor: id, Quantity: q}}, time.Time{}, past.FarFuture()) {
		if err != nil {
			r.t.Fatal(err)
		}
		out = append(out, reading)
	}
	return out
}

func sensorNamed(t *testing.T, s *snapshot.Snapshot, id sensors.SensorID) desk.View {
	t.Helper()
	for _, v := range append(slices.Clone(s.Sensors), s.Retired...) {
		if v.ID == id {
			return v
		}
	}
	t.Fatalf("no sensor %s in the snapshot", id)
	return desk.View{}
}
