package simulate

import (
	"slices"
	"time"

	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// broker keeps a session for the daemon: what is published while the daemon is
// away waits, and what it was given and has not acknowledged is given again.
type broker struct {
	run *run
	// queue waits, given is with the daemon and not acknowledged.
	queue, given []*world.Message
	retained     map[string]*world.Message
	// away is set while the broker cannot be reached, connected while the
	// daemon is connected, told what the daemon knows of that.
	away, connected bool
	told            *bool
	// since is the minute of the last change that the daemon was told.
	since int
	// packet is the number given out last. Forgot is set when the session is
	// gone and the daemon does not know, lost when it was told.
	packet uint16
	forgot bool
	lost   time.Time
}

// queueMost is how many messages a session keeps.
const queueMost = 20_000

func (b *broker) publish(m *world.Message) {
	if m.Retained {
		kept := *m
		b.retained[m.Topic] = &kept
	}
	live := *m
	live.Retained, live.Queued = false, !b.connected
	if len(b.queue) < queueMost {
		b.queue = append(b.queue, &live)
	}
}

// drop ends the connection. What was not acknowledged will be given again.
func (b *broker) drop() {
	b.connected, b.told = false, nil
	for _, m := range b.given {
		m.Again = true
	}
	b.queue = append(b.given, b.queue...)
	b.given = nil
}

// forget loses the session, and with it all that waited.
func (b *broker) forget() {
	b.queue, b.given, b.forgot = nil, nil, true
}

// retell gives what is retained, as a subscription has a broker do.
func (b *broker) retell() {
	for _, topic := range slices.Sorted(func(yield func(string) bool) {
		for t := range b.retained {
			if !yield(t) {
				return
			}
		}
	}) {
		kept := *b.retained[topic]
		kept.Retained = true
		b.queue = append(b.queue, &kept)
	}
}

// next is the message given to the daemon next, nil for none.
func (b *broker) next() *world.Message {
	if len(b.queue) == 0 {
		return nil
	}
	m := b.queue[0]
	b.queue = b.queue[1:]
	if m.Packet == 0 {
		if b.packet++; b.packet == 0 {
			b.packet = 1
		}
		m.Packet = b.packet
	}
	b.given = append(b.given, m)
	return m
}

// hand makes the message for the daemon.
func (b *broker) hand(m *world.Message) sensors.Message {
	if m.Birth != nil && b.run.site.Hears(m.Birth) {
		b.run.ref.born(m.Birth)
	}
	if s := m.Said; s != nil {
		s.Handed++
		if s.Handed == 1 {
			s.Heard = b.run.now
		}
		b.run.ref.heard(m)
	}
	process := b.run.process
	return sensors.Message{
		Topic: m.Topic, Payload: slices.Clone(m.Body), Retained: m.Retained, Received: b.run.believed(),
		Delivery: sensors.Delivery{Packet: m.Packet, Again: m.Again, Queued: m.Queued || m.Again},
		Ack: func() {
			if b.run.process != process {
				return
			}
			if i := slices.Index(b.given, m); i >= 0 {
				b.given = slices.Delete(b.given, i, i+1)
				if m.Said != nil && !m.Retained {
					m.Said.Acked = true
				}
			}
		},
	}
}

// link is the state of the link as the daemon is told of it.
func (b *broker) link() snapshot.Link {
	l := snapshot.Link{Address: "tcp://127.0.0.1:1883", Connected: b.connected, Subscribed: b.connected, Since: b.run.believed(), SessionLost: b.lost}
	if !b.connected {
		l.Problem = "the broker does not answer"
	}
	return l
}
