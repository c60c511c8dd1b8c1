package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/daemon"
	"rearguard/sensors"
	"rearguard/sensors/broker/embedded"
)

// manager is the end of the service manager: a real socket.
type manager struct {
	t    *testing.T
	conn *net.UnixConn
	// lines are those that came together with one that was waited for.
	lines []string
}

func newManager(t *testing.T, limit time.Duration) *manager {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", fmt.Sprint(limit.Microseconds()))
	t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	return &manager{t: t, conn: conn}
}

// hears reports whether a line comes within a time.
func (m *manager) hears(line string, within time.Duration) bool {
	m.t.Helper()
	if err := m.conn.SetReadDeadline(time.Now().Add(within)); err != nil {
		m.t.Fatal(err)
	}
	buffer := make([]byte, 4096)
	for {
		for len(m.lines) > 0 {
			got := m.lines[0]
			if m.lines = m.lines[1:]; strings.HasPrefix(got, line) {
				return true
			}
		}
		n, err := m.conn.Read(buffer)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return false
		}
		if err != nil {
			m.t.Fatal(err)
		}
		m.lines = strings.Split(string(buffer[:n]), "\n")
	}
}

// The watcher outside hears of the daemon once a fresh reading is on the disk,
// and nothing before that or while the engine hangs; the service manager hears
// that it gets on also without a reading, and no longer when it hangs.
func TestWatchersHearWhatIsProven(t *testing.T) {
	const limit = 4 * time.Second
	m := newManager(t, limit)
	var beats atomic.Int64
	beat := make(chan struct{}, 1)
	watcher := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/s3cret" || r.Method != http.MethodPost {
			t.Errorf("called %s %s", r.Method, r.URL)
		}
		beats.Add(1)
		select {
		case beat <- struct{}{}:
		default:
		}
	}))
	defer watcher.Close()
	mqttBroker, err := embedded.Start(embedded.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer mqttBroker.Close()
	dir := t.TempDir()
	t.Setenv("REARGUARD_TEST_BEAT", watcher.URL+"/s3cret")
	config := filepath.Join(dir, "facility.yaml")
	if err := os.WriteFile(config, []byte(fmt.Sprintf(`
facility: {name: Test}
records: {path: proof.db, synchronous: normal}
broker: {address: %q, client_id: t}
rooms: [{id: nursery}]
sensors: [{id: s, room: nursery, interval: 60s, inputs: [{topic: t/s, format: plain, values: [{quantity: temperature, unit: °C}]}]}]
heartbeat: {url_env: REARGUARD_TEST_BEAT, method: post, every: 10s}
`, mqttBroker.URL())), 0o600); err != nil {
		t.Fatal(err)
	}
	f, catalog := loaded(t, config)
	f.Heartbeat.Every = 200 * time.Millisecond
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	hang, ended := make(chan struct{}), make(chan error, 1)
	var evaluated atomic.Int64
	var engine *daemon.Engine
	ready := make(chan struct{})
	go func() {
		ended <- Run(ctx, Options{
			Facility: f, Config: config, Catalog: catalog, Version: "test", Logger: slog.New(slog.DiscardHandler),
			Clocks: Machine(time.Now), TickEvery: 100 * time.Millisecond, Listener: listener,
			Evaluated: func(list []sensors.Reading) {
				if evaluated.Add(int64(len(list))) > 1 {
					<-hang
				}
			},
		}, func(e *daemon.Engine) { engine = e; close(ready) })
	}()
	<-ready
	if !m.hears("READY=1", 10*time.Second) || !m.hears("STATUS=not all is well: no sensor has sent anything within its interval", 10*time.Second) {
		t.Fatal("the service manager does not hear how it gets on")
	}
	for range 3 {
		if !m.hears("WATCHDOG=1", limit) {
			t.Fatal("the watchdog runs out without a reading")
		}
	}
	if beats.Load() > 0 {
		t.Error("the watcher outside was told before there was a reading")
	}

	publish := publisherTo(t, mqttBroker.URL())
	publish("24.0")
	for range 2 {
		select {
		case <-beat:
		case <-time.After(10 * time.Second):
			t.Fatalf("the watcher outside hears nothing after a reading: %+v", engine.Snapshot().Sensors)
		}
	}
	if !m.hears("STATUS=all is well", 10*time.Second) {
		t.Error("the service manager does not hear that all is well")
	}

	// The engine hangs in the middle of a reading.
	publish("24.1")
	for evaluated.Load() < 2 {
		<-time.After(10 * time.Millisecond)
	}
	m.hears("WATCHDOG=1", limit/2) // one may be under way
	if m.hears("WATCHDOG=1", 2*limit) {
		t.Error("the watchdog is fed while the engine hangs")
	}
	close(hang)
	if !m.hears("WATCHDOG=1", limit) {
		t.Error("the watchdog is not fed any more when the engine goes on")
	}
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if !m.hears("STOPPING=1", time.Second) {
		t.Error("the service manager does not hear of the stop")
	}
}

// publisherTo is a sensor that publishes on t/s.
func publisherTo(t *testing.T, url string) func(value string) {
	t.Helper()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("sensor"))
	if token := client.Connect(); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
		t.Fatalf("connect: %v", token.Error())
	}
	t.Cleanup(func() { client.Disconnect(0) })
	return func(value string) {
		t.Helper()
		if token := client.Publish("t/s", 1, false, value); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			t.Fatalf("publish: %v", token.Error())
		}
	}
}
