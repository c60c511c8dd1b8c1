package broker_test

import (
	"fmt"
	"testing"
	"time"

	"rearguard/sensors/broker"
	"rearguard/sensors/broker/brokertest"
)

// What waited for the link is told from what is published once it is there,
// and what was under way when the link died comes again as the same packet.
func TestQueuedAndRepeatedMessagesAreTold(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	cfg := broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, Availability: "rearguard/availability", DrainTimeout: 20 * time.Millisecond}
	first := run(t, cfg)
	first.subscribed()
	c := sensor(t, m.URL())
	publish(t, c, "rooms/a", "0")
	// Nothing waited for the first connection.
	zero := first.receive()
	if zero.Queued || zero.Again || zero.Packet == 0 {
		t.Errorf("first message %+v", zero.Delivery)
	}
	first.stop()
	var want []string
	for i := range 100 {
		want = append(want, fmt.Sprint(i+1))
	}
	publish(t, c, "rooms/a", want...)

	second := run(t, cfg)
	again := second.receive()
	if string(again.Payload) != "0" || !again.Again || !again.Queued || again.Packet != zero.Packet {
		t.Errorf("what was not acknowledged comes as %q %+v, was %+v", again.Payload, again.Delivery, zero.Delivery)
	}
	again.Ack()
	for _, body := range want {
		waited := second.receive()
		if string(waited.Payload) != body || !waited.Queued || waited.Again {
			t.Fatalf("%q: %+v", waited.Payload, waited.Delivery)
		}
		waited.Ack()
	}
	// The link sees the end of the queue by its own word coming back.
	fresh := func() bool {
		publish(t, c, "rooms/a", "now")
		now := second.receive()
		now.Ack()
		return !now.Queued
	}
	eventually(t, fresh)
	// A blip: what was published meanwhile waited, what comes after did not.
	if s := second.State(); !s.SessionLost.IsZero() {
		t.Errorf("the broker kept the session, and it is said to be lost at %v", s.SessionLost)
	}
}

// A broker that has forgotten the session is told of, once each time, and the
// first connection of all is none.
func TestForgottenSessionIsTold(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	store := new(filterStore)
	cfg := broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, FilterStore: store}
	first := run(t, cfg)
	first.subscribed()
	if s := first.State(); !s.SessionLost.IsZero() {
		t.Errorf("nothing was kept before the first connection: %+v", s)
	}
	m.Kill()
	first.await("disconnected", func(s broker.State) bool { return !s.Connected })
	m.Launch()
	s := first.await("told", func(s broker.State) bool { return s.Subscribed && !s.SessionLost.IsZero() })
	first.stop()
	// Kept meanwhile, then lost over a restart of the link as well.
	second := run(t, cfg)
	second.subscribed()
	if s := second.State(); !s.SessionLost.IsZero() {
		t.Errorf("kept, and told as lost: %+v", s)
	}
	second.stop()
	m.Kill()
	m.Launch()
	third := run(t, cfg)
	third.await("told", func(now broker.State) bool { return now.Subscribed && now.SessionLost.After(s.SessionLost) })
}

// A broker that restarts again and again is not taken for a second client with
// the same client id.
func TestBrokerRestartsAreNoSecondClient(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Persistence: true})
	h := run(t, broker.Config{URL: m.URL(), Filters: []string{"rooms/#"}, RetryMin: 300 * time.Millisecond, RetryMax: 300 * time.Millisecond})
	for range 6 {
		h.subscribed()
		m.Restart()
		s := h.await("disconnected", func(s broker.State) bool { return !s.Connected })
		if s.Cause == broker.ClientInUse {
			t.Fatalf("%+v", s)
		}
	}
	h.subscribed()
}
