package broker_test

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/sensors"
	"rearguard/sensors/broker"
	"rearguard/sensors/broker/brokertest"
)

const patience = 20 * time.Second

// harness is a running link.
type harness struct {
	*broker.Link
	t      *testing.T
	cancel context.CancelFunc
	done   chan error
}

func run(t *testing.T, cfg broker.Config) *harness {
	t.Helper()
	if cfg.ClientID == "" {
		cfg.ClientID = "rearguard"
	}
	if cfg.RetryMin == 0 {
		cfg.RetryMin, cfg.RetryMax = 20*time.Millisecond, 100*time.Millisecond
	}
	link, err := broker.New(cfg, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	h := &harness{Link: link, t: t, cancel: cancel, done: make(chan error, 1)}
	go func() { h.done <- link.Run(ctx) }()
	t.Cleanup(func() { h.stop() })
	return h
}

// stop ends the link and waits for it.
func (h *harness) stop() {
	h.t.Helper()
	h.cancel()
	select {
	case err := <-h.done:
		if err != nil {
			h.t.Errorf("run: %v", err)
		}
		h.done <- nil
	case <-time.After(patience):
		h.t.Error("link does not stop")
	}
}

// await waits for a state.
func (h *harness) await(what string, ok func(broker.State) bool) broker.State {
	h.t.Helper()
	deadline := time.After(patience)
	for {
		if s := h.State(); ok(s) {
			return s
		}
		select {
		case <-h.States():
		case <-deadline:
			h.t.Fatalf("never %s; state %+v", what, h.State())
		}
	}
}

func (h *harness) subscribed() {
	h.t.Helper()
	h.await("subscribed", func(s broker.State) bool { return s.Subscribed })
}

func (h *harness) trouble(cause broker.Cause) broker.State {
	h.t.Helper()
	s := h.await(string(cause), func(s broker.State) bool { return s.Cause == cause })
	if !strings.HasSuffix(s.Problem, ".") || len(s.Problem) < 20 {
		h.t.Errorf("problem %q is no sentence", s.Problem)
	}
	return s
}

func (h *harness) receive() sensors.Message {
	h.t.Helper()
	select {
	case m, ok := <-h.Messages():
		if !ok {
			h.t.Fatal("messages closed")
		}
		return m
	case <-time.After(patience):
		h.t.Fatalf("no message; state %+v", h.State())
	}
	panic("unreachable")
}

// expect receives messages with these bodies, in order, and acknowledges them.
func (h *harness) expect(bodies ...string) {
	h.t.Helper()
	for _, body := range bodies {
		m := h.receive()
		if string(m.Payload) != body {
			h.t.Fatalf("got %q on %s, want %q", m.Payload, m.Topic, body)
		}
		m.Ack()
	}
}

// sensor is a client of the broker that is not the link.
func sensor(t *testing.T, url string, configure ...func(*mqtt.ClientOptions)) mqtt.Client {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("sensor-%s", strings.ReplaceAll(t.Name(), "/", "-"))).
		SetAutoReconnect(false).SetProtocolVersion(4)
	for _, c := range configure {
		c(o)
	}
	c := mqtt.NewClient(o)
	if err := mqtt.WaitTokenTimeout(c.Connect(), patience); err != nil {
		t.Fatalf("connect sensor: %v", err)
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func publish(t *testing.T, c mqtt.Client, topic string, bodies ...string) {
	t.Helper()
	for _, body := range bodies {
		if err := mqtt.WaitTokenTimeout(c.Publish(topic, 1, false, body), patience); err != nil {
			t.Fatalf("publish: %v", err)
		}
	}
}

// retain publishes what the broker is to keep for later subscribers.
func retain(t *testing.T, c mqtt.Client, topic, body string) {
	t.Helper()
	if err := mqtt.WaitTokenTimeout(c.Publish(topic, 1, true, body), patience); err != nil {
		t.Fatalf("publish: %v", err)
	}
}

func TestBrokerDownAtStart(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Stopped: true})
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}})
	if s := h.trouble(broker.Unreachable); s.Connected {
		t.Errorf("state %+v", s)
	}
	m.Launch()
	h.subscribed()
	publish(t, sensor(t, m.URL()), "rooms/a", "21.5")
	h.expect("21.5")
}

func TestQueueSurvivesRestarts(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Persistence: true})
	cfg := broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}}
	first := run(t, cfg)
	first.subscribed()
	publish(t, sensor(t, m.URL()), "rooms/a", "1", "2")
	first.expect("1", "2")
	first.stop()
	publish(t, sensor(t, m.URL()), "rooms/a", "3", "4", "5")
	m.Restart()
	second := run(t, cfg)
	second.expect("3", "4", "5")
}

func TestUnacknowledgedIsDeliveredAgain(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	cfg := broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, DrainTimeout: 50 * time.Millisecond}
	first := run(t, cfg)
	first.subscribed()
	c := sensor(t, m.URL())
	publish(t, c, "rooms/a", "1", "2", "3", "4")
	one, two, three := first.receive(), first.receive(), first.receive()
	// Acknowledged out of order: as 2 is not done with, 3 must not be
	// acknowledged either (MQTT 3.1.1 section 4.6).
	three.Ack()
	one.Ack()
	first.stop()
	second := run(t, cfg)
	second.expect("2", "3", "4")
	_ = two
}

func TestAcknowledgedWhileStopping(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	cfg := broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}}
	first := run(t, cfg)
	first.subscribed()
	publish(t, sensor(t, m.URL()), "rooms/a", "1", "2")
	one := first.receive()
	first.cancel()
	// The rest is received and acknowledged after the link was told to stop.
	got := []string{string(one.Payload)}
	acks := []func(){one.Ack}
	for m := range first.Messages() {
		got = append(got, string(m.Payload))
		acks = append(acks, m.Ack)
	}
	for _, ack := range acks {
		ack()
	}
	first.stop()
	second := run(t, cfg)
	second.subscribed()
	publish(t, sensor(t, m.URL(), func(o *mqtt.ClientOptions) { o.SetClientID("other") }), "rooms/a", "last")
	all := slices.Concat(got, drainUntil(second, "last"))
	if want := []string{"1", "2", "last"}; !slices.Equal(all, want) {
		t.Errorf("got %q, want %q", all, want)
	}
}

func drainUntil(h *harness, last string) (got []string) {
	h.t.Helper()
	for {
		m := h.receive()
		m.Ack()
		got = append(got, string(m.Payload))
		if string(m.Payload) == last {
			return got
		}
	}
}

// TestLeftOverQoS2 takes over a session that was subscribed at QoS 2, with more
// messages in it than may be on their way at once.
func TestLeftOverQoS2(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	before := sensor(t, m.URL(), func(o *mqtt.ClientOptions) { o.SetClientID("rearguard").SetCleanSession(false) })
	if err := mqtt.WaitTokenTimeout(before.Subscribe("rooms/#", 2, nil), patience); err != nil {
		t.Fatal(err)
	}
	before.Disconnect(100)
	c := sensor(t, m.URL())
	var want []string
	for i := range 50 {
		want = append(want, fmt.Sprint(i))
		if err := mqtt.WaitTokenTimeout(c.Publish("rooms/a", 2, false, want[i]), patience); err != nil {
			t.Fatal(err)
		}
	}
	run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}}).expect(want...)
}

func TestRetained(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	c := sensor(t, m.URL())
	retain(t, c, "rooms/a", "20")
	stamp := time.Date(2026, 3, 1, 12, 0, 0, 0, time.FixedZone("", 3600))
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, Clock: func() time.Time { return stamp }})
	old := h.receive()
	old.Ack()
	retain(t, c, "rooms/a", "21")
	live := h.receive()
	live.Ack()
	retain(t, c, "rooms/a", "")
	deleted := h.receive()
	deleted.Ack()
	if !old.Retained || live.Retained || deleted.Retained || len(deleted.Payload) != 0 {
		t.Errorf("retained %t, live %t, deleted %t %q", old.Retained, live.Retained, deleted.Retained, deleted.Payload)
	}
	if !live.Received.Equal(stamp) || live.Received.Location() != time.UTC {
		t.Errorf("received at %v", live.Received)
	}
}

func TestComplaint04SubscribesAgainAfterLostSession(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/a", "rooms/b"}})
	h.subscribed()
	for round := range 2 {
		m.Kill()
		h.await("disconnected", func(s broker.State) bool { return !s.Connected })
		m.Launch()
		h.subscribed()
		c := sensor(t, m.URL())
		body := fmt.Sprint(round)
		publish(t, c, "rooms/b", body)
		c.Disconnect(100)
		h.expect(body)
	}
}

func TestWrongPassword(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Users: map[string]string{"rearguard": "right"}})
	t.Setenv("BROKER_PASSWORD", "right")
	wrong := run(t, broker.Config{URL: m.URL(), Filters: []string{"#"}, Login: broker.Login{Username: "rearguard", Password: "wrong"}})
	if s := wrong.trouble(broker.Credentials); !strings.Contains(s.Problem, "rearguard") || strings.Contains(s.Problem, "wrong") {
		t.Errorf("problem %q", s.Problem)
	}
	wrong.stop()
	anonymous := run(t, broker.Config{URL: m.URL(), Filters: []string{"#"}})
	anonymous.trouble(broker.Credentials)
	anonymous.stop()
	right := run(t, broker.Config{URL: m.URL(), Filters: []string{"#"}, Login: broker.Login{Username: "rearguard", PasswordEnv: "BROKER_PASSWORD"}})
	right.subscribed()
}

func TestNoAnswerAtAll(t *testing.T) {
	h := run(t, broker.Config{URL: "mqtt://no-such-host.invalid", Filters: []string{"#"}})
	h.trouble(broker.Unreachable)
}

// filterStore is a broker.FilterStore in memory.
type filterStore struct {
	mu      sync.Mutex
	filters []string
}

func (s *filterStore) SubscribedFilters(context.Context) ([]string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.filters), nil
}

func (s *filterStore) SaveSubscribedFilters(_ context.Context, filters []string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.filters = slices.Clone(filters)
	return nil
}

func TestComplaint05ChangedFilters(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	store := new(filterStore)
	cfg := broker.Config{URL: m.URL(), Filters: []string{"old/#", "rooms/#"}, FilterStore: store}
	first := run(t, cfg)
	first.subscribed()
	first.stop()

	// After a restart with other filters the old one is gone from the session.
	cfg.Filters = []string{"rooms/#", "new/#"}
	second := run(t, cfg)
	second.subscribed()
	c := sensor(t, m.URL())
	publish(t, c, "old/a", "old")
	publish(t, c, "new/a", "new")
	second.expect("new")
	if got, _ := store.SubscribedFilters(t.Context()); !slices.Equal(got, []string{"new/#", "rooms/#"}) {
		t.Errorf("stored filters %q", got)
	}

	// So it is when they change while connected.
	if err := second.SetFilters([]string{"third/#", "new/#"}); err != nil {
		t.Fatal(err)
	}
	awaitStored(t, store, []string{"new/#", "third/#"})
	publish(t, c, "rooms/a", "old")
	publish(t, c, "third/a", "third")
	second.expect("third")
	if err := second.SetFilters([]string{"a/#/b"}); err == nil {
		t.Error("bad filter accepted")
	}
}

// A sensor that is claimed while the link discovers topics may need what the
// broker gave long ago.
func TestFiltersSetAnewGiveWhatIsRetained(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	retain(t, sensor(t, m.URL()), "homie/a/air/$unit", "C")
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"#"}})
	h.subscribed()
	h.expect("C")
	if err := h.SetFilters([]string{"#"}); err != nil {
		t.Fatal(err)
	}
	h.expect("C")
}

func awaitStored(t *testing.T, store *filterStore, want []string) {
	t.Helper()
	eventually(t, func() bool {
		got, err := store.SubscribedFilters(t.Context())
		return err == nil && slices.Equal(got, want)
	})
}

// eventually waits for a condition that nothing announces.
func eventually(t *testing.T, ok func() bool) {
	t.Helper()
	deadline := time.After(patience)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatal("does not come true")
		}
	}
}

func TestOversize(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	ring := broker.NewRing(4)
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, MaxPayload: 1000, Unusable: ring})
	h.subscribed()
	c := sensor(t, m.URL())
	publish(t, c, "rooms/a", "1", strings.Repeat("0", 1000))
	publish(t, c, "rooms/big", strings.Repeat("0", 1001), strings.Repeat("7", 8<<20))
	if err := mqtt.WaitTokenTimeout(c.Publish("rooms/big", 0, false, strings.Repeat("8", 5000)), patience); err != nil {
		t.Fatal(err)
	}
	publish(t, c, "rooms/a", "2")
	h.expect("1", strings.Repeat("0", 1000), "2")
	if s := h.Stats(); s.Oversize != 3 || s.Received != 6 {
		t.Errorf("stats %+v", s)
	}
	var sizes []int
	kept, _ := ring.Take()
	for _, u := range kept {
		sizes = append(sizes, u.Size)
		if u.Topic != "rooms/big" || len(u.Head) != 256 {
			t.Errorf("kept %s, %d bytes", u.Topic, len(u.Head))
		}
	}
	if want := []int{1001, 8 << 20, 5000}; !slices.Equal(sizes, want) {
		t.Errorf("sizes %v, want %v", sizes, want)
	}
}

// What was left at the broker is found upon a connection, and what is left there
// meanwhile upon the next; none of it goes to the receiver.
func TestNoteIsFoundAtTheBroker(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	other := sensor(t, m.URL())
	leave := func(body string) {
		t.Helper()
		if err := mqtt.WaitTokenTimeout(other.Publish("own/note", 1, true, body), patience); err != nil {
			t.Fatal(err)
		}
	}
	leave("first")
	found := make(chan string, 10)
	note := broker.Note{Topic: "own/note", Found: func(body []byte) { found <- string(body) }}
	for _, want := range []string{"first", "second"} {
		h := run(t, broker.Config{URL: m.URL(), Filters: []string{"own/#"}, Note: note})
		h.subscribed()
		select {
		case got := <-found:
			if got != want {
				t.Errorf("found %q, want %q", got, want)
			}
		case <-time.After(patience):
			t.Fatalf("%q is not found", want)
		}
		leave("second")
		publish(t, other, "own/sensor", want)
		h.expect(want)
		h.stop()
		for len(found) > 0 { // overlapping filters may give it twice
			if got := <-found; got != want {
				t.Errorf("found %q, which was left there while connected", got)
			}
		}
	}
}
