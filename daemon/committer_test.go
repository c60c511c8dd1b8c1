package daemon

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	_ "modernc.org/sqlite" // locks the records as another program would

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// patience is how long a test waits for what must happen.
const patience = 30 * time.Second

// impatient are options of records that soon give up on a locked file.
func impatient() records.Options {
	return records.Options{Synchronous: records.Normal, BusyTimeout: 20 * time.Millisecond}
}

// block makes every write to records fail until it is released: another
// program has the file open in a transaction. They can be read meanwhile.
func block(t *testing.T, path string) (release func()) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	other, err := db.Conn(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := other.ExecContext(ctx, "PRAGMA busy_timeout = 10000"); err != nil {
		t.Fatal(err)
	}
	if _, err := other.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	release = sync.OnceFunc(func() {
		_, failed := other.ExecContext(ctx, "ROLLBACK")
		if err := errors.Join(failed, other.Close(), db.Close()); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(release)
	return release
}

// journaled are the kinds and people in the journal, in order.
func journaled(t *testing.T, r *records.Reader) []string {
	t.Helper()
	var out []string
	for e, err := range r.Journal(t.Context(), time.Time{}, past.FarFuture()) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, e.Kind+" "+e.Who)
	}
	return out
}

// What is handed over while the records cannot be written is written in one
// go once they can, in order, and nothing follows from it before.
func TestBatchesAreJoinedWhileTheRecordsFail(t *testing.T) {
	path := filepath.Join(t.TempDir(), "test.db")
	store, err := records.Open(t.Context(), path, impatient())
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	c := newCommitter(store, slog.New(slog.DiscardHandler), nil)
	release := block(t, path)
	ended := make(chan error, 1)
	go func() { ended <- c.run(t.Context()) }()

	const n = 6
	// seen is how much the records hold when each job is said to be written.
	seen := make(chan [2]int, n)
	answers := make([]chan error, n)
	submit := func(i int) {
		answers[i] = make(chan error, 2)
		c.submit(job{
			batch: &records.Batch{
				Clock:   minute(i),
				Journal: []records.JournalEntry{{Arrival: minute(i), Kind: "k", Who: fmt.Sprint(i)}},
				State:   map[string][]byte{"large": fmt.Append(nil, i)},
			},
			acks: []func(){func() {}}, done: answers[i],
			after: func() { seen <- [2]int{i, len(journaled(t, store.Reader))} },
		})
	}
	answer := func(i int) error {
		select {
		case err := <-answers[i]:
			return err
		case <-time.After(patience):
			t.Fatalf("job %d was never answered", i)
			return nil
		}
	}
	submit(0)
	if err := answer(0); !errors.Is(err, ErrNotRecorded) || !strings.Contains(err.Error(), path) {
		t.Errorf("answered %v, want ErrNotRecorded and which file", err)
	}
	for i := 1; i < n; i++ {
		submit(i)
		if err := answer(i); !errors.Is(err, ErrNotRecorded) {
			t.Errorf("job %d, handed over when it was known, is answered %v", i, err)
		}
	}
	if got := c.messages(); got != n {
		t.Errorf("%d messages wait, want %d", got, n)
	}
	if got := len(c.unwritten()); got != n {
		t.Errorf("%d batches are unwritten, want %d", got, n)
	}
	if b := c.unwritten(); b[1].State["large"] != nil || string(b[n-1].State["large"]) != fmt.Sprint(n-1) {
		t.Error("blobs that newer ones replace are kept")
	}
	if len(seen) != 0 || len(journaled(t, store.Reader)) != 0 {
		t.Fatal("something is said to be written, or is")
	}
	release()
	c.close()
	select {
	case err := <-ended:
		if err != nil {
			t.Fatal(err)
		}
	case <-time.After(patience):
		t.Fatal("the committer never ended")
	}
	// The first was alone under way; the others were joined to one.
	want := [][2]int{{0, 1}}
	for i := 1; i < n; i++ {
		want = append(want, [2]int{i, n})
	}
	close(seen)
	var got [][2]int
	for one := range seen {
		got = append(got, one)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("job and entries in the records then (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]string{"k 0", "k 1", "k 2", "k 3", "k 4", "k 5"}, journaled(t, store.Reader)); d != "" {
		t.Error(d)
	}
	if body, err := store.LoadState(t.Context(), "large"); err != nil || string(body) != fmt.Sprint(n-1) {
		t.Errorf("the blob is %q, %v", body, err)
	}
	if c.Problem() != "" || c.messages() != 0 || len(c.unwritten()) != 0 {
		t.Errorf("afterwards: problem %q, %d messages", c.Problem(), c.messages())
	}
}

// until gives an engine ticks until something holds.
func (r *rig) until(what string, at time.Time, holds func() bool) {
	r.t.Helper()
	deadline := time.After(patience)
	for !holds() {
		select {
		case r.ticks <- timekeeping.Right(at):
		case <-deadline:
			r.t.Fatalf("it never comes to this: %s", what)
		}
	}
}

// While the records cannot be written the engine goes on in memory: it says
// so, acknowledges nothing and answers commands with ErrNotRecorded. Once they
// can, everything is in them as if nothing had been.
func TestEngineGoesOnWhileTheRecordsFail(t *testing.T) {
	play := func(fail bool) (*rig, []sensors.Reading) {
		r := &rig{t: t, path: filepath.Join(t.TempDir(), "test.db"), facility: foldtest.Parse(t, foldtest.Facility), catalog: speciestest.Library(t), options: impatient()}
		r.start(testStart)
		t.Cleanup(r.stop)
		r.monarchs(testStart)
		r.records()
		release := func() {}
		if fail {
			release = block(t, r.path)
		}
		for m := range 30 {
			r.air(minute(m), 25+float64(m%3)/100, 70)
			r.ticks <- timekeeping.Right(minute(m).Add(10 * time.Second))
		}
		at := minute(30)
		if fail {
			r.until("a problem is shown", at, func() bool { return !r.engine.Snapshot().Store.OK })
		}
		command := fold.RecordCount{Count: population.Count{Cohort: "monarch-1", Time: at.Add(-time.Minute), Stage: "egg", Seen: 90, Of: 95, By: "keeper"}}
		err := r.engine.Do(t.Context(), command)
		s := r.tick(at)
		if len(s.Cohorts[0].Counts) != 1 {
			t.Errorf("the count does not show: %+v", s.Cohorts[0].Counts)
		}
		if !fail {
			if err != nil {
				t.Fatal(err)
			}
			stored := r.stored("nursery-a", sensors.Temperature)
			return r, stored
		}
		if !errors.Is(err, ErrNotRecorded) || errors.Is(err, fold.ErrRefused) {
			t.Errorf("the command is answered %v", err)
		}
		if s.Store.OK || s.Store.Problem == "" || s.Store.Unwritten != 60 || r.acked.Load() != 0 {
			t.Errorf("store %+v with %d messages acknowledged; want 60 unwritten and none acknowledged", s.Store, r.acked.Load())
		}
		if s.Rooms[0].Blind {
			t.Error("the air is not followed any more")
		}
		if got := journaled(t, r.reader()); slices.Contains(got, "record-count keeper") {
			t.Errorf("recorded while the records cannot be written: %v", got)
		}
		release()
		r.until("all is written", at, func() bool { return r.engine.Snapshot().Store.Unwritten == 0 && r.engine.Snapshot().Store.OK })
		stored := r.stored("nursery-a", sensors.Temperature)
		return r, stored
	}
	calm, want := play(false)
	r, got := play(true)
	if len(want) != 30 {
		t.Fatalf("%d readings undisturbed", len(want))
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("readings (-undisturbed +disturbed):\n%s", d)
	}
	if n := r.acked.Load(); n != 60 {
		t.Errorf("%d messages acknowledged, want 60", n)
	}
	// The trouble itself is journaled as well.
	steps := slices.DeleteFunc(journaled(t, r.records()), func(s string) bool { return s == "house " })
	if d := cmp.Diff(journaled(t, calm.records()), steps); d != "" {
		t.Errorf("journal (-undisturbed +disturbed):\n%s", d)
	}
	r.tick(minute(31))
	r.stop()
	live := r.engine.Snapshot()
	r.start(minute(32))
	if d := cmp.Diff(live.Cohorts, r.engine.Snapshot().Cohorts); d != "" {
		t.Errorf("cohorts after a restart (-before +after):\n%s", d)
	}
}

// So much is kept in memory and no more: the broker keeps the rest.
func TestNoMoreIsTakenThanCanBeKept(t *testing.T) {
	const most = 8
	r := &rig{t: t, path: filepath.Join(t.TempDir(), "test.db"), facility: foldtest.Parse(t, foldtest.Facility), catalog: speciestest.Library(t), options: impatient(), mostUnwritten: most}
	r.start(testStart)
	t.Cleanup(r.stop)
	r.records()
	release := block(t, r.path)
	message := func(m int) sensors.Message {
		return sensors.Message{
			Topic: "t/nursery/a", Payload: fmt.Appendf(nil, `{"ts":%d,"t":25,"h":70}`, minute(m).Unix()), Received: minute(m),
			Ack: func() { r.acked.Add(1) },
		}
	}
	for m := range most {
		r.messages <- message(m)
		r.ticks <- timekeeping.Right(minute(m))
	}
	at := minute(most)
	for range 200 {
		select {
		case r.messages <- message(most):
			t.Fatalf("a message is taken while %d are unwritten", most)
		case r.ticks <- timekeeping.Right(at):
		}
	}
	r.until("a problem is shown", at, func() bool { return !r.engine.Snapshot().Store.OK })
	if s := r.engine.Snapshot(); s.Store.Unwritten != most {
		t.Errorf("%d messages are unwritten, want %d", s.Store.Unwritten, most)
	}
	// People can still act.
	err := r.engine.Do(t.Context(), fold.AddCohort{Who: "keeper", Cohort: population.Cohort{
		ID: "monarch-1", Species: "danaus-plexippus", Start: testStart, StartStage: "egg", Individuals: 100,
		Placements: []population.Placement{{Room: "nursery", From: testStart}},
	}})
	if !errors.Is(err, ErrNotRecorded) {
		t.Errorf("a command is answered %v", err)
	}
	release()
	select {
	case r.messages <- message(most):
	case <-time.After(patience):
		t.Fatal("no message is taken although the records can be written")
	}
	if got := r.stored("nursery-a", sensors.Temperature); len(got) != most+1 || r.acked.Load() != most+1 {
		t.Errorf("%d readings stored, %d messages acknowledged, want %d of each", len(got), r.acked.Load(), most+1)
	}
}

// An engine that ends while the records cannot be written says so, and has
// acknowledged nothing of what is lost with it.
func TestStoppedWhileTheRecordsFail(t *testing.T) {
	r := &rig{t: t, path: filepath.Join(t.TempDir(), "test.db"), facility: foldtest.Parse(t, foldtest.Facility), catalog: speciestest.Library(t), options: impatient()}
	r.start(testStart)
	r.records()
	release := block(t, r.path)
	r.air(minute(1), 25, 70)
	r.until("a problem is shown", minute(2), func() bool { return !r.engine.Snapshot().Store.OK })
	r.cancel()
	r.cancel = nil
	if err := <-r.done; err == nil || !strings.Contains(err.Error(), "could not be written") {
		t.Errorf("ended with %v", err)
	}
	if n := r.acked.Load(); n != 0 {
		t.Errorf("%d messages are acknowledged and not in the records", n)
	}
	if err := r.engine.Do(t.Context(), fold.EndCohort{Cohort: "x"}); !errors.Is(err, ErrStopped) {
		t.Errorf("a command to it is answered %v", err)
	}
	release()
	if err := r.store.Close(); err != nil {
		t.Fatal(err)
	}
	r.start(minute(3))
	t.Cleanup(r.stop)
	r.air(minute(1), 25, 70)
	r.tick(minute(4))
	if got := r.stored("nursery-a", sensors.Temperature); len(got) != 1 || r.acked.Load() != 2 {
		t.Errorf("%d readings stored, %d messages acknowledged after they came again", len(got), r.acked.Load())
	}
}
