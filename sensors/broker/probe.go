package broker

import (
	"context"
	"errors"
	"fmt"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// A connection can be up, and every subscription granted, and still nothing
// arrive: some brokers grant any subscription and then withhold the messages
// by their access rules, and a network can break one way. So the link
// publishes its own availability again and again and waits to see it come
// back.

// maxOverdue is how many probes in a row may stay away before the connection
// is given up.
const maxOverdue = 2

var errProbe = errors.New("nothing arrives from the broker")

// announce publishes "online", which is also a probe.
func (l *Link) announce(ctx context.Context, s *session) {
	if l.cfg.Availability == "" {
		return
	}
	s.probing, s.before = true, l.received.Load()
	l.unechoed.Add(1)
	s.announced.Store(true)
	if err := s.await(ctx, s.client.Publish(l.cfg.Availability, 1, true, Online)); err != nil && ctx.Err() == nil {
		l.log.Warn("publish availability", "topic", l.cfg.Availability, "error", err)
	}
}

// probe looks whether the last probe has come back and sends another. It
// returns an error when the connection is as good as dead.
func (l *Link) probe(ctx context.Context, s *session) error {
	if l.cfg.Availability == "" {
		return nil
	}
	if s.probing {
		alive := l.received.Load() > s.before
		if !alive {
			s.overdue++
		}
		if s.overdue > maxOverdue {
			return errProbe
		}
		if st := l.State(); st.Cause == "" {
			// Where other messages arrive the connection is good, and only
			// the access rules for this topic are not.
			l.connected(State{Subscribed: st.Subscribed && alive, Cause: Silent, Problem: probeProblem(l.cfg.Availability)})
		}
	}
	l.announce(ctx, s)
	return nil
}

// heard notes that a probe has come back.
func (l *Link) heard(s *session) {
	s.probing, s.overdue = false, 0
	if l.State().Cause == Silent {
		l.connected(State{Subscribed: true})
	}
}

// echo takes a message on the availability topic. One retained from earlier
// proves nothing. It runs on the library's receive loop.
func (l *Link) echo(s *session, m mqtt.Message) {
	switch {
	case m.Retained():
	case string(m.Payload()) == Online:
		l.queueEcho(s)
		signal(s.echoed)
	case s.kept.Load():
		// The farewell or last will of an earlier connection: what came back
		// before it was published by that one as well.
		s.queued.Store(true)
		s.stale = 0
		l.unechoed.Store(0)
	}
}

func probeProblem(topic string) string {
	return fmt.Sprintf("The broker accepts the connection, but what rearguard publishes on %q does not come back. Allow rearguard to write and read that topic in the broker's access rules.", topic)
}

func oversizeReason(size, limit int) string {
	return fmt.Sprintf("payload of %d bytes is larger than the limit of %d", size, limit)
}
