package embedded_test

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/sensors/broker"
	"rearguard/sensors/broker/embedded"
)

const patience = 20 * time.Second

func start(t *testing.T, o embedded.Options) *embedded.Broker {
	t.Helper()
	b, err := embedded.Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return b
}

func run(t *testing.T, cfg broker.Config) (link *broker.Link, stop func()) {
	t.Helper()
	link, err := broker.New(cfg, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- link.Run(ctx) }()
	stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("run: %v", err)
		}
		done <- nil
	}
	t.Cleanup(stop)
	return link, stop
}

func await(t *testing.T, l *broker.Link, ok func(broker.State) bool) {
	t.Helper()
	deadline := time.After(patience)
	for !ok(l.State()) {
		select {
		case <-l.States():
		case <-deadline:
			t.Fatalf("state %+v", l.State())
		}
	}
}

func subscribed(s broker.State) bool { return s.Subscribed }

func client(t *testing.T, url string, configure ...func(*mqtt.ClientOptions)) mqtt.Client {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID("sensor").SetAutoReconnect(false)
	for _, c := range configure {
		c(o)
	}
	c := mqtt.NewClient(o)
	if err := mqtt.WaitTokenTimeout(c.Connect(), patience); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

// TestSession checks what the link relies on: messages published while it is
// away are kept, far beyond what one connection holds in flight, and what is
// published while it is there comes in order.
func TestSession(t *testing.T) {
	b := start(t, embedded.Options{})
	cfg := broker.Config{URL: b.URL(), ClientID: "rearguard", Filters: []string{"rooms/#"}, Availability: "site/rearguard", FilterStore: new(filterStore)}
	link, stop := run(t, cfg)
	await(t, link, subscribed)
	stop()
	c := client(t, b.URL())
	const n = 5000
	publish := func() {
		t.Helper()
		tokens := make([]mqtt.Token, n)
		for i := range n {
			tokens[i] = c.Publish("rooms/a", 1, false, fmt.Sprint(i))
		}
		// The broker confirms a message before it hands it on. The message
		// after it is confirmed only when that is done.
		tokens = append(tokens, c.Publish("rooms/marker", 1, false, marker))
		for _, token := range tokens {
			if err := mqtt.WaitTokenTimeout(token, patience); err != nil {
				t.Fatal(err)
			}
		}
	}
	publish()
	cfg.Filters = []string{"rooms/a", "rooms/marker"}
	link, _ = run(t, cfg)
	got := map[string]int{}
	for len(got) < n {
		got[receive(t, link)]++
	}
	// All those messages on their way did not keep the link from changing its
	// subscriptions.
	await(t, link, subscribed)
	c.Publish("rooms/other", 1, false, "not subscribed to")
	publish()
	for i := range n {
		if body := receive(t, link); body != fmt.Sprint(i) {
			t.Fatalf("message %d is %q", i, body)
		}
	}
}

const marker = "marker"

// filterStore is a broker.FilterStore in memory, for one link at a time.
type filterStore struct{ filters []string }

func (s *filterStore) SubscribedFilters(context.Context) ([]string, error) { return s.filters, nil }

func (s *filterStore) SaveSubscribedFilters(_ context.Context, filters []string) error {
	s.filters = filters
	return nil
}

// receive returns the body of the next message that is no marker and
// acknowledges it.
func receive(t *testing.T, l *broker.Link) string {
	t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case m := <-l.Messages():
			m.Ack()
			if body := string(m.Payload); body != marker {
				return body
			}
		case <-deadline:
			t.Fatalf("no message; state %+v", l.State())
		}
	}
}

func TestUsers(t *testing.T) {
	b := start(t, embedded.Options{Address: "localhost:0", Users: map[string]string{"rearguard": "secret", "empty": ""}})
	good, _ := run(t, broker.Config{URL: b.URL(), ClientID: "good", Filters: []string{"#"}, Login: broker.Login{Username: "rearguard", Password: "secret"}})
	await(t, good, subscribed)
	for name, cfg := range map[string]broker.Config{
		"wrong password": {Login: broker.Login{Username: "rearguard", Password: "guess"}},
		"no password":    {Login: broker.Login{Username: "rearguard"}},
		"unknown user":   {Login: broker.Login{Username: "nobody"}},
		"anonymous":      {},
	} {
		t.Run(name, func(t *testing.T) {
			cfg.URL, cfg.ClientID, cfg.Filters = b.URL(), "bad", []string{"#"}
			bad, _ := run(t, cfg)
			await(t, bad, func(s broker.State) bool { return s.Cause == broker.Credentials })
		})
	}
}

func TestAnonymousOnlyOnLoopback(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "192.0.2.1:1883", "[::]:0", "example.com:1883", "nonsense"} {
		if b, err := embedded.Start(embedded.Options{Address: address}); err == nil {
			t.Errorf("%s: started without users at %s", address, b.URL())
			_ = b.Close()
		}
	}
}

func TestPortBusy(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	if b, err := embedded.Start(embedded.Options{Address: l.Addr().String()}); err == nil {
		_ = b.Close()
		t.Error("started on a port in use")
	}
}
