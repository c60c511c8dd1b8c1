package dashboards_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/progress"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/timekeeping"
	"rearguard/dashboards"
	"rearguard/dashboards/api"
	"rearguard/dashboards/web"
	"rearguard/sensors"
)

// gate lets everything pass until it is shut.
type gate struct {
	mu   sync.Mutex
	shut chan struct{}
}

func (g *gate) pass() {
	g.mu.Lock()
	shut := g.shut
	g.mu.Unlock()
	if shut != nil {
		<-shut
	}
}

// close shuts the gate and returns how to open it.
func (g *gate) close() (open func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	shut := make(chan struct{})
	g.shut = shut
	return func() {
		g.mu.Lock()
		defer g.mu.Unlock()
		g.shut = nil
		close(shut)
	}
}

// slowOutbox is the outbox behind a gate.
type slowOutbox struct {
	*records.Store
	gate gate
}

func (o *slowOutbox) Queues(ctx context.Context, at time.Time) ([]notify.Queue, error) {
	o.gate.pass()
	return o.Store.Queues(ctx, at)
}

// plant is a running engine and worker with real records, on a clock that the
// test turns.
type plant struct {
	t         *testing.T
	path      string
	store     *records.Store
	outbox    *slowOutbox
	worker    *notify.Worker
	evaluated gate
	elapsed   atomic.Int64
	messages  chan sensors.Message
	ticks     chan timekeeping.Beat
	routes    http.Handler
}

func newPlant(t *testing.T) *plant {
	p := &plant{t: t, path: filepath.Join(t.TempDir(), "test.db"), messages: make(chan sensors.Message, 1), ticks: make(chan timekeeping.Beat)}
	var err error
	if p.store, err = records.Open(t.Context(), p.path, records.Options{Synchronous: records.Normal, BusyTimeout: 20 * time.Millisecond}); err != nil {
		t.Fatal(err)
	}
	board := progress.New(func() time.Duration { return time.Duration(p.elapsed.Load()) })
	engine, err := daemon.New(t.Context(), daemon.Options{
		Options: fold.Options{Facility: foldtest.Parse(t, foldtest.Facility), Catalog: speciestest.Library(t), Logger: slog.New(slog.DiscardHandler)},
		Store:   p.store, Now: timekeeping.Right(foldtest.Start()), Progress: board,
		Evaluated: func([]sensors.Reading) { p.evaluated.pass() },
	})
	if err != nil {
		t.Fatal(err)
	}
	p.outbox = &slowOutbox{Store: p.store}
	p.worker = notify.NewWorker(p.outbox, nil, notify.Options{
		Now: foldtest.Start, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler),
		Round: func(bool) { board.Done(progress.Tell) },
	})
	if p.routes, err = dashboards.Handler(engine, "1", web.Options{Progress: board.Report}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := engine.Run(ctx, daemon.Sources{Messages: p.messages, Ticks: p.ticks}); err != nil {
			t.Error(err)
		}
	})
	running.Go(func() { p.worker.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		running.Wait()
		p.store.Close()
	})
	return p
}

// pass lets time pass; the engine's beat is given, the worker woken, and where
// they are not frozen they are waited for.
func (p *plant) pass(d time.Duration, engine, worker bool) {
	p.elapsed.Add(int64(d))
	if engine {
		at := foldtest.Start().Add(time.Duration(p.elapsed.Load()))
		p.ticks <- timekeeping.Right(at)
		p.ticks <- timekeeping.Right(at)
	}
	if worker {
		p.worker.Wake()
	}
}

func (p *plant) message() {
	at := foldtest.Start().Add(time.Duration(p.elapsed.Load()))
	p.messages <- sensors.Message{
		Topic: "t/nursery/a", Payload: fmt.Appendf(nil, `{"ts":%d,"t":25,"h":70}`, at.Unix()), Received: at, Ack: func() {},
	}
}

// health asks /healthz, and returns the status and the stages that are stuck.
func (p *plant) health() (status int, stuck []string) {
	w := httptest.NewRecorder()
	p.routes.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/healthz", http.NoBody))
	var h api.Health
	if err := json.Unmarshal(w.Body.Bytes(), &h); err != nil {
		p.t.Fatal(err, w.Body)
	}
	for _, s := range h.Stages {
		if !s.Healthy {
			stuck = append(stuck, s.Stage)
		}
		if !s.Healthy && (s.Problem == "" || s.StuckSeconds < 30) {
			p.t.Errorf("a stuck stage says %+v", s)
		}
	}
	return w.Code, stuck
}

func (p *plant) expect(when string, stage string) {
	p.t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for {
		status, stuck := p.health()
		if stage == "" && status == 200 || stage != "" && status == 503 && len(stuck) == 1 && stuck[0] == stage {
			return
		}
		if time.Now().After(deadline) {
			p.t.Fatalf("%s: status %d, stuck %v, want %q", when, status, stuck, stage)
		}
		<-time.After(5 * time.Millisecond)
	}
}

// Each stage that is frozen is found within its bounds, and found well again.
func TestHealthComesFromProgress(t *testing.T) {
	p := newPlant(t)
	p.pass(20*time.Second, true, true)
	p.expect("at work", "")

	free := p.evaluated.close()
	p.message()
	p.pass(31*time.Second, false, true)
	p.expect("engine frozen", "alarms")
	free()
	p.pass(time.Second, true, true)
	p.expect("engine freed", "")

	// What the engine is writing just now has to end first.
	other, err := sql.Open("sqlite", "file:"+p.path+"?_pragma=busy_timeout(60000)")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	conn, err := other.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := conn.ExecContext(t.Context(), "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	p.message()
	p.pass(time.Second, true, true)
	p.pass(61*time.Second, true, true)
	p.expect("records locked", "records")
	if _, err := conn.ExecContext(t.Context(), "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	p.expect("records free", "")

	free = p.outbox.gate.close()
	p.pass(time.Second, true, true)
	p.pass(3*time.Minute+time.Second, true, false)
	p.expect("worker frozen", "notices")
	free()
	p.expect("worker freed", "")
}

// People who ask for much history at once take nothing from the engine.
func TestReadersDoNotMakeItUnhealthy(t *testing.T) {
	p := newPlant(t)
	stop := make(chan struct{})
	var readers sync.WaitGroup
	for range 12 {
		readers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				for _, err := range p.store.Pages().ScanArrival(context.Background(), time.Time{}, past.FarFuture()) {
					if err != nil {
						t.Error(err)
						return
					}
				}
			}
		})
	}
	for range 30 {
		p.message()
		p.pass(20*time.Second, true, true)
		p.expect("beside readers", "")
	}
	close(stop)
	readers.Wait()
}
