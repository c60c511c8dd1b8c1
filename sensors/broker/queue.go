package broker

import (
	"context"
	"time"
)

// What a broker kept while the link was down says nothing of how long it
// waited. It comes before anything that is published after the link is back, in
// the order in which the broker took it; so once the link's own "online" has
// come back, the queue is drained.

// quietFor is how long nothing may come, with everything acknowledged, until
// the queue counts as drained where no "online" comes back; drainedAfter is
// when it does so in any case.
const (
	quietFor     = 3 * time.Second
	drainedAfter = 10 * time.Minute
)

// begin notes what a new connection found.
func (l *Link) begin(ctx context.Context, s *session) {
	if ends := s.conn.certificateEnds; !ends.IsZero() {
		l.certificateEnds = ends
	}
	if s.kept.Load() {
		return
	}
	l.unechoed.Store(0)
	expected, err := l.knownFilters(ctx, s)
	if err != nil {
		l.log.Error("read the subscribed topic filters", "error", err)
	}
	if len(expected) > 0 {
		l.sessionLost = l.cfg.Clock().UTC()
		l.log.Warn("the broker has forgotten the session; what was published while the link was down is lost")
	}
}

// queueEcho looks whether an "online" of this connection has come back. Those
// of earlier connections may still lie in the queue before it.
func (l *Link) queueEcho(s *session) {
	if l.unechoed.Add(-1) < 0 {
		l.unechoed.Store(0)
	}
	switch {
	case s.stale > 0:
		s.stale--
	case s.announced.Load():
		s.queued.Store(false)
	}
}

// quiet ends the draining when nothing comes though the broker may send.
func (l *Link) quiet(s *session) {
	received := l.received.Load()
	if received == s.quietAt && s.acks.drained() {
		s.queued.Store(false)
		l.unechoed.Store(0)
	}
	s.quietAt = received
}
