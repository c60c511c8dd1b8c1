package broker_test

import (
	"fmt"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/sensors/broker"
	"rearguard/sensors/broker/brokertest"
)

// TestReceiverBehind lets QoS 0 messages, which no window bounds, fill the
// channel: the link stops reading and loses nothing.
func TestReceiverBehind(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Extra: "max_queued_messages 0\n"})
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, Buffer: 8})
	h.subscribed()
	c := sensor(t, m.URL())
	const n = 500
	for i := range n {
		if err := mqtt.WaitTokenTimeout(c.Publish("rooms/a", 0, false, fmt.Sprint(i)), patience); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, func() bool { return h.Stats().Stalls > 0 })
	for i := range n {
		h.expect(fmt.Sprint(i))
	}
	if s := h.Stats(); s.Stalls == 0 || s.Received != n {
		t.Errorf("stats %+v", s)
	}
}

// TestStopWhileBehind stops a link whose receive loop waits for room.
func TestStopWhileBehind(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Extra: "max_inflight_messages 100\n"})
	cfg := broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, Buffer: 2, DrainTimeout: 50 * time.Millisecond}
	h := run(t, cfg)
	h.subscribed()
	c := sensor(t, m.URL())
	publish(t, c, "rooms/a", "1", "2", "3", "4", "5")
	h.receive().Ack()
	for h.Stats().Stalls == 0 {
		publish(t, c, "rooms/a", "more")
	}
	h.stop()
	next := run(t, cfg)
	next.expect("2", "3", "4", "5")
}

// TestConnectionLostWhileBehind loses the connection in that situation.
func TestConnectionLostWhileBehind(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Persistence: true, Extra: "max_inflight_messages 100\n"})
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, Buffer: 2, Timeout: time.Second, KeepAlive: time.Second})
	h.subscribed()
	// Several messages wait inside the library as well, so it takes more than
	// the channel holds.
	const n = 20
	c := sensor(t, m.URL())
	for i := range n {
		publish(t, c, "rooms/a", fmt.Sprint(i))
	}
	// The keep-alive ends a connection whose receiver stays behind, and the
	// broker delivers again what was not acknowledged.
	h.await("disconnected", func(s broker.State) bool { return !s.Connected })
	seen := map[string]bool{}
	for len(seen) < n {
		got := h.receive()
		seen[string(got.Payload)] = true
		got.Ack()
	}
}

func TestPublish(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}})
	h.subscribed()
	for qos := range byte(2) {
		if err := h.Publish(t.Context(), broker.Publication{Topic: "rooms/a", Payload: []byte{'0' + qos}, QoS: qos}); err != nil {
			t.Fatal(err)
		}
	}
	h.expect("0", "1")
	for _, bad := range []broker.Publication{{Topic: "rooms/#"}, {Topic: ""}, {Topic: "a", QoS: 2}} {
		if err := h.Publish(t.Context(), bad); err == nil {
			t.Errorf("published %+v", bad)
		}
	}
	h.stop()
	if err := h.Publish(t.Context(), broker.Publication{Topic: "a", QoS: 1}); err == nil {
		t.Error("published without a connection")
	}
}
