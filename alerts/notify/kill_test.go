package notify_test

import (
	"bufio"
	"context"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"rearguard/alerts/notify"
)

// TestMain lets the test program itself be the process that is killed.
func TestMain(m *testing.M) {
	if path := os.Getenv("NOTIFY_TEST_OUTBOX"); path != "" {
		if err := deliverAll(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// deliverAll works off the outbox until its input ends or it is killed.
func deliverAll(path string) error {
	o, err := openOutbox(path)
	if err != nil {
		return err
	}
	pem, err := os.ReadFile(os.Getenv("NOTIFY_TEST_CA"))
	if err != nil {
		return err
	}
	pool, err := x509.ParseCertificate(pem)
	if err != nil {
		return err
	}
	trusted := x509.NewCertPool()
	trusted.AddCert(pool)
	hook := notify.NewWebhook(notify.WebhookConfig{
		URL: os.Getenv("NOTIFY_TEST_URL"), Secret: func() (string, error) { return rawSecret, nil }, Roots: trusted,
	})
	w := notify.NewWorker(o, map[string]notify.Channel{"pager": hook}, notify.Options{
		Now: time.Now, Random: func() float64 { return 0 }, Logger: slog.New(slog.DiscardHandler),
	})
	ctx, cancel := context.WithCancel(context.Background())
	go func() { _, _ = io.Copy(io.Discard, os.Stdin); cancel() }()
	w.Run(ctx)
	return nil
}

// A worker is killed with SIGKILL again and again while it delivers to a real
// HTTPS server. Afterwards every notice has arrived, and none arrived again in
// a later life once the outbox knew it as delivered.
func TestKilledWorkerRepeatsNothingDelivered(t *testing.T) {
	const notices, kills = 120, 6
	folder := t.TempDir()
	path := filepath.Join(folder, "outbox.jsonl")
	o, err := openOutbox(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range notices {
		n := heat(notify.Raised, 2, begin)
		n.Occurrence = int64(i + 1)
		// To as many people, since what waits for one is told together.
		o.add(plan(t, n, []string{fmt.Sprint("person-", i)}, "pager")...)
	}
	if err := o.file.Close(); err != nil {
		t.Fatal(err)
	}

	pager := &pager{
		t: t, arrivals: map[int64]int{}, ids: map[int64]map[string]bool{}, known: map[int64]bool{},
		arrived: make(chan struct{}, 100*notices),
	}
	server := httptest.NewTLSServer(pager)
	defer server.Close()
	certificate := filepath.Join(folder, "ca.der")
	if err := os.WriteFile(certificate, server.Certificate().Raw, 0o600); err != nil {
		t.Fatal(err)
	}

	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	random := rand.New(rand.NewPCG(1, 2))
	for life := range kills + 1 {
		o, err := openOutbox(path)
		if err != nil {
			t.Fatal(err)
		}
		pager.begin(o.states())
		if err := o.file.Close(); err != nil {
			t.Fatal(err)
		}
		enough, left := func() bool { return pager.heard() == notices }, random.IntN(20)
		if life < kills {
			enough = func() bool { left--; return left < 0 }
		}
		runLife(ctx, t, path, certificate, server.URL, enough, life < kills, pager.arrived)
	}
	repeated := pager.repeated(notices)
	// As many as one channel has under way at once.
	const underWay = 4
	if repeated > underWay*kills {
		t.Errorf("%d repetitions, want at most the %d under way at each of %d kills", repeated, underWay, kills)
	}
	t.Logf("%d notices, %d kills, %d repeated between arrival and mark", notices, kills, repeated)
}

// pager is the receiver of a webhook, over all lives of the worker.
type pager struct {
	t        *testing.T
	mu       sync.Mutex
	arrivals map[int64]int
	ids      map[int64]map[string]bool
	// known was delivered as of the start of the present life.
	known   map[int64]bool
	arrived chan struct{}
}

func (p *pager) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Data struct{ Occurrence int64 } `json:"data"`
	}
	if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	n := body.Data.Occurrence
	if p.known[n] {
		p.t.Errorf("notice %d arrived again after it was marked as delivered", n)
	}
	p.arrivals[n]++
	if p.ids[n] == nil {
		p.ids[n] = map[string]bool{}
	}
	p.ids[n][r.Header.Get("webhook-id")] = true
	p.arrived <- struct{}{}
}

// begin is the start of a life.
func (p *pager) begin(states map[int64]notify.State) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for id, state := range states {
		p.known[id] = state == notify.Delivered
	}
}

func (p *pager) heard() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.arrivals)
}

// repeated demands that each notice arrived, under one id, and says how often
// one arrived more than once.
func (p *pager) repeated(notices int64) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	repeated := 0
	for n := int64(1); n <= notices; n++ {
		if p.arrivals[n] == 0 || len(p.ids[n]) != 1 {
			p.t.Errorf("notice %d arrived %d times under %d ids", n, p.arrivals[n], len(p.ids[n]))
		}
		repeated += p.arrivals[n] - 1
	}
	return repeated
}

// runLife starts a worker process and ends it when enough has arrived, which
// is asked after every arrival.
func runLife(ctx context.Context, t *testing.T, path, certificate, url string, enough func() bool, kill bool, arrived <-chan struct{}) {
	t.Helper()
	process := exec.CommandContext(ctx, os.Args[0], "-test.run=^$")
	process.Env = append(os.Environ(), "NOTIFY_TEST_OUTBOX="+path, "NOTIFY_TEST_URL="+url, "NOTIFY_TEST_CA="+certificate)
	stdin, err := process.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	errs, err := process.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := process.Start(); err != nil {
		t.Fatal(err)
	}
	for !enough() {
		select {
		case <-arrived:
		case <-ctx.Done():
			t.Fatal("the worker did not deliver in time")
		}
	}
	if kill {
		_ = process.Process.Kill()
	}
	_ = stdin.Close()
	for lines := bufio.NewScanner(errs); lines.Scan(); {
		t.Errorf("worker: %s", lines.Text())
	}
	if err := process.Wait(); err != nil && !kill {
		t.Errorf("worker ended with %v", err)
	}
}
