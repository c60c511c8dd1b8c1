package broker_test

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/sensors/broker"
	"rearguard/sensors/broker/brokertest"
)

// BenchmarkDrain measures messages a second out of a queue that mosquitto
// holds for the link, beside a client of the library alone that does nothing
// with them: once as it comes and once with acknowledgement by hand. One
// operation is one message.
func BenchmarkDrain(b *testing.B) {
	const window = 1000
	extra := fmt.Sprintf("max_inflight_messages %d\nmax_queued_messages 0\n", window)
	b.Run("link", func(b *testing.B) {
		m := brokertest.Start(b, brokertest.Options{Extra: extra})
		queue(b, m, "link", b.N)
		link, err := broker.New(broker.Config{URL: m.URL(), ClientID: "link", Filters: []string{"rooms/#"}}, slog.New(slog.DiscardHandler))
		if err != nil {
			b.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error)
		b.ResetTimer()
		go func() { done <- link.Run(ctx) }()
		// Acknowledged in batches, as after a commit.
		var batch []func()
		for i := range b.N {
			message := <-link.Messages()
			batch = append(batch, message.Ack)
			if len(batch) == window/2 || i == b.N-1 || len(link.Messages()) == 0 {
				for _, ack := range batch {
					ack()
				}
				batch = batch[:0]
			}
		}
		b.StopTimer()
		cancel()
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	})
	for name, manual := range map[string]bool{"library": false, "library-manual": true} {
		b.Run(name, func(b *testing.B) {
			m := brokertest.Start(b, brokertest.Options{Extra: extra})
			queue(b, m, name, b.N)
			got := make(chan struct{}, 1)
			n := 0
			o := mqtt.NewClientOptions().AddBroker(m.URL()).SetClientID(name).SetCleanSession(false).SetProtocolVersion(4)
			o.SetAutoAckDisabled(manual)
			o.SetDefaultPublishHandler(func(_ mqtt.Client, message mqtt.Message) {
				if manual {
					message.Ack()
				}
				if n++; n == b.N {
					got <- struct{}{}
				}
			})
			c := mqtt.NewClient(o)
			b.ResetTimer()
			if err := mqtt.WaitTokenTimeout(c.Connect(), patience); err != nil {
				b.Fatal(err)
			}
			<-got
			b.StopTimer()
			c.Disconnect(100)
		})
	}
}

// queue has the broker hold n messages for the session of client id.
func queue(b *testing.B, m *brokertest.Mosquitto, id string, n int) {
	b.Helper()
	session := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(m.URL()).SetClientID(id).SetCleanSession(false).SetProtocolVersion(4))
	if err := mqtt.WaitTokenTimeout(session.Connect(), patience); err != nil {
		b.Fatal(err)
	}
	if err := mqtt.WaitTokenTimeout(session.Subscribe("rooms/#", 1, nil), patience); err != nil {
		b.Fatal(err)
	}
	session.Disconnect(100)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(m.URL()).SetClientID("source"))
	if err := mqtt.WaitTokenTimeout(c.Connect(), patience); err != nil {
		b.Fatal(err)
	}
	defer c.Disconnect(100)
	// A window of the packet identifiers, of which there are 65,535.
	const window = 1000
	tokens := make([]mqtt.Token, window)
	for i := range n + window {
		if token := tokens[i%window]; token != nil {
			if err := mqtt.WaitTokenTimeout(token, time.Minute); err != nil {
				b.Fatal(err)
			}
			tokens[i%window] = nil
		}
		if i < n {
			tokens[i%window] = c.Publish(fmt.Sprintf("rooms/sensor%d", i%500), 1, false, "21.53")
		}
	}
}
