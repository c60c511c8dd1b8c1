package main

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/cmd/internal/cli"
	"rearguard/cmd/rearguard/service"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/sensors"
	"rearguard/sensors/broker/brokertest"
)

// The facility of the benchmarks.
const (
	benchSensors = 500
	benchRooms   = 25
	// benchWindow is how many messages a publisher has under way.
	benchWindow = 1000
)

// receiver is something that takes messages from the broker.
type receiver struct {
	// received counts what it is done with.
	received *atomic.Int64
	stop     func()
}

// doNothing is a subscriber of the client library alone, with the buffered
// connection that the link also has.
func doNothing(b *testing.B, brokerURL string) receiver {
	b.Helper()
	n := new(atomic.Int64)
	options := mqtt.NewClientOptions().AddBroker(brokerURL).SetClientID("bench").SetCleanSession(false).SetProtocolVersion(4)
	options.SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
		conn, err := net.Dial("tcp", u.Host)
		if err != nil {
			return nil, err
		}
		return bufferedConn{conn, bufio.NewReaderSize(conn, 64<<10)}, nil
	})
	options.SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) { n.Add(1) })
	c := mqtt.NewClient(options)
	if err := mqtt.WaitTokenTimeout(c.Connect(), time.Minute); err != nil {
		b.Fatal(err)
	}
	if err := mqtt.WaitTokenTimeout(c.Subscribe("bench/#", 1, nil), time.Minute); err != nil {
		b.Fatal(err)
	}
	return receiver{received: n, stop: func() { c.Disconnect(100) }}
}

type bufferedConn struct {
	net.Conn
	r *bufio.Reader
}

func (c bufferedConn) Read(p []byte) (int, error) { return c.r.Read(p) }

// pipeline is the whole daemon, from the broker to committed history and
// evaluated alarms. It is done with a message when it acknowledges it.
func pipeline(b *testing.B, brokerURL string, evaluated func([]sensors.Reading)) receiver {
	b.Helper()
	f, err := facility.Parse("bench.yaml", []byte(benchConfig(b.TempDir(), brokerURL)))
	if err != nil {
		b.Fatal(err)
	}
	catalog, err := cli.LoadCatalog(f)
	if err != nil {
		b.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	n := new(atomic.Int64)
	options := service.Options{
		Facility: f, Catalog: catalog, Version: buildVersion(), Logger: slog.New(slog.DiscardHandler), Clocks: service.Machine(time.Now),
		TickEvery: service.TickEvery, Listener: listener, Evaluated: evaluated,
		Committed: func(messages int) { n.Add(int64(messages)) },
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	ready := make(chan *daemon.Engine, 1)
	go func() { done <- service.Run(ctx, options, func(engine *daemon.Engine) { ready <- engine }) }()
	engine := <-ready
	poll(b, "subscribed", func() bool { return engine.Snapshot().Broker.Subscribed })
	return receiver{received: n, stop: func() {
		cancel()
		if err := <-done; err != nil {
			b.Error(err)
		}
	}}
}

func benchConfig(dir, brokerURL string) string {
	var c strings.Builder
	fmt.Fprintf(&c, "facility: {name: Benchmark, timezone: UTC}\nrecords: {path: %q, synchronous: normal}\n", filepath.Join(dir, "bench.db"))
	fmt.Fprintf(&c, "broker: {address: %q, client_id: bench, discover: [\"bench/#\"]}\nweb: {listen: \"127.0.0.1:0\"}\nrooms:\n", brokerURL)
	for r := range benchRooms {
		fmt.Fprintf(&c, "  - {id: room-%d, limits: {heat_celsius: 31, chill_celsius: 15, drying_kilopascals: 1.5, damp_percent: 92}}\n", r)
	}
	c.WriteString("sensors:\n")
	for s := range benchSensors {
		fmt.Fprintf(&c, "  - {id: s%d, room: room-%d, interval: 60s, inputs: [{topic: bench/s%d, format: json, time: {at: /ts, unit: ms}, values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: \"%%\"}]}]}\n", s, s%benchRooms, s)
	}
	return c.String()
}

// benchPublisher publishes readings of the facility's sensors in turn, each
// later than the sensor's last.
type benchPublisher struct {
	b      *testing.B
	client mqtt.Client
	n      int
	begin  time.Time
	tokens [benchWindow]mqtt.Token
}

func newBenchPublisher(b *testing.B, brokerURL string) *benchPublisher {
	b.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(brokerURL).SetClientID("bench-source"))
	if err := mqtt.WaitTokenTimeout(c.Connect(), time.Minute); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { c.Disconnect(100) })
	return &benchPublisher{b: b, client: c, begin: time.Now().Add(-time.Hour)}
}

// send publishes one message with the event time at.
func (p *benchPublisher) send(at time.Time) {
	slot := p.n % benchWindow
	if token := p.tokens[slot]; token != nil {
		if err := mqtt.WaitTokenTimeout(token, time.Minute); err != nil {
			p.b.Fatal(err)
		}
	}
	p.tokens[slot] = p.client.Publish(fmt.Sprintf("bench/s%d", p.n%benchSensors), 1, false,
		fmt.Sprintf(`{"ts":%d,"t":%.2f,"h":%.1f}`, at.UnixMilli(), 24+float64(p.n%97)/100, 70+float64(p.n%53)/10))
	p.n++
}

// flush waits until the broker has everything.
func (p *benchPublisher) flush() {
	for _, token := range p.tokens {
		if token != nil {
			if err := mqtt.WaitTokenTimeout(token, time.Minute); err != nil {
				p.b.Fatal(err)
			}
		}
	}
}

// rounds publishes n messages; every sensor's time goes on by the step.
func (p *benchPublisher) rounds(n int, step time.Duration) {
	for range n {
		p.send(p.begin.Add(time.Duration(p.n/benchSensors) * step))
	}
	p.flush()
}

// until waits for a receiver to be done with n messages.
func (r receiver) until(b *testing.B, n int) {
	b.Helper()
	poll(b, fmt.Sprintf("done with %d messages", n), func() bool { return r.received.Load() >= int64(n) })
}

// rate waits for n messages and returns how many a second there were, from
// the first on.
func (r receiver) rate(b *testing.B, n int) float64 {
	b.Helper()
	r.until(b, 1)
	began, first := time.Now(), r.received.Load()
	r.until(b, n)
	return float64(int64(n)-first) / time.Since(began).Seconds()
}

// poll waits for a condition, looking often enough not to show in a figure.
func poll(b *testing.B, what string, condition func() bool) {
	b.Helper()
	ticker := time.NewTicker(200 * time.Microsecond)
	defer ticker.Stop()
	limit := time.After(2 * time.Minute)
	for !condition() {
		select {
		case <-ticker.C:
		case <-limit:
			b.Fatalf("waited in vain: %s", what)
		}
	}
}

func benchBroker(b *testing.B) *brokertest.Mosquitto {
	b.Helper()
	dir := b.TempDir()
	port := brokertest.FreePort(b)
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nmax_inflight_messages %d\nmax_queued_messages 0\n", port, benchWindow)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	return brokertest.Start(b, brokertest.Options{ConfigFile: conf, Port: port})
}

// benchMessages is the size of one measurement.
const benchMessages = 200_000

// BenchmarkPipeline measures messages a second from the broker to committed
// history with alarms evaluated, beside a subscriber that does nothing, on the
// same kind of broker in the same run: live, and when draining what the broker
// had queued. The ratio is the figure to look at.
func BenchmarkPipeline(b *testing.B) {
	kinds := []struct {
		name  string
		start func(b *testing.B, url string) receiver
	}{
		{"do-nothing", doNothing},
		{"rearguard", func(b *testing.B, url string) receiver { return pipeline(b, url, nil) }},
	}
	for _, mode := range []string{"live", "drain"} {
		b.Run(mode, func(b *testing.B) {
			for b.Loop() {
				rates := make(map[string]float64)
				for _, kind := range kinds {
					m := benchBroker(b)
					address := fmt.Sprintf("tcp://127.0.0.1:%d", m.Port)
					r := kind.start(b, address)
					p := newBenchPublisher(b, address)
					if mode == "drain" {
						// The session stays with the broker, which queues.
						r.stop()
						p.rounds(benchMessages, time.Second)
						r = kind.start(b, address)
					} else {
						go p.rounds(benchMessages, time.Second)
					}
					rates[kind.name] = r.rate(b, benchMessages)
					r.stop()
					m.Stop()
				}
				b.ReportMetric(rates["do-nothing"], "do-nothing-msg/s")
				b.ReportMetric(rates["rearguard"], "rearguard-msg/s")
				b.ReportMetric(rates["rearguard"]/rates["do-nothing"], "ratio")
			}
		})
	}
}

// BenchmarkLatency measures the time from publishing to evaluated alarms at
// 1,000 messages a second.
func BenchmarkLatency(b *testing.B) {
	const rate, seconds = 1000, 10
	for b.Loop() {
		m := benchBroker(b)
		address := fmt.Sprintf("tcp://127.0.0.1:%d", m.Port)
		var mu sync.Mutex
		var took []time.Duration
		r := pipeline(b, address, func(readings []sensors.Reading) {
			now := time.Now()
			mu.Lock()
			defer mu.Unlock()
			for i := range readings {
				if readings[i].Quantity == sensors.Temperature {
					took = append(took, now.Sub(readings[i].Time))
				}
			}
		})
		p := newBenchPublisher(b, address)
		ticker := time.NewTicker(time.Second / rate)
		for range rate * seconds {
			p.send(<-ticker.C)
		}
		ticker.Stop()
		p.flush()
		r.until(b, rate*seconds)
		r.stop()
		m.Stop()
		slices.Sort(took)
		b.ReportMetric(float64(took[len(took)/2])/1e6, "p50-ms")
		b.ReportMetric(float64(took[len(took)*99/100])/1e6, "p99-ms")
	}
}
