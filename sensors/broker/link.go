package broker

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/sensors"
)

// ErrNotConnected is returned by Publish while there is no connection.
var ErrNotConnected = errors.New("not connected to the broker")

// Link is a connection to a broker that is kept up. Make one with New, start
// it with Run, and receive from Messages.
type Link struct {
	cfg Config
	log *slog.Logger

	messages chan sensors.Message
	states   chan State
	state    atomic.Pointer[State]
	session  atomic.Pointer[session]
	started  atomic.Bool

	// gate is held for reading while a message is handed on, and for writing
	// to close messages. Stop is closed first, to release a waiting handler.
	gate sync.RWMutex
	stop chan struct{}

	// kicks counts connections in a row that a broker that goes on running
	// closed soon after accepting them; sessionLost and certificateEnds are
	// those of the state. Only Run's goroutine uses them.
	kicks                        int
	sessionLost, certificateEnds time.Time
	// unechoed counts what was published on the availability topic and has not
	// come back, over all connections of the session.
	unechoed atomic.Int64

	mu     sync.Mutex
	wanted []string
	// inSession is what the session was last known to be subscribed to.
	inSession []string
	rewired   chan struct{} // signals that wanted has changed

	received, oversize, stalls atomic.Uint64
}

// Stats counts what the link has done since it was made.
type Stats struct {
	// Received counts messages, Oversize those among them that were too large
	// to hand on.
	Received, Oversize uint64
	// Stalls counts the times the receiver was so far behind that the link
	// had to stop reading.
	Stalls uint64
}

// New makes a link. The error joins one *ConfigError for each fault in cfg.
// Whether the broker can be reached is not looked at: a link starts without
// its broker and keeps trying.
func New(cfg Config, logger *slog.Logger) (*Link, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	cfg = cfg.withDefaults()
	l := &Link{
		cfg:      cfg,
		log:      logger,
		messages: make(chan sensors.Message, cfg.Buffer),
		states:   make(chan State, 1),
		stop:     make(chan struct{}),
		rewired:  make(chan struct{}, 1),
		wanted:   unique(cfg.Filters),
	}
	l.state.Store(&State{Since: cfg.Clock().UTC(), Cause: NeverTried, Problem: "The broker has not been called yet."})
	return l, nil
}

// Messages returns the channel on which received messages arrive, in order.
// It is closed when Run has been told to stop; what it still holds then should
// be acknowledged within Config.DrainTimeout.
func (l *Link) Messages() <-chan sensors.Message { return l.messages }

// States returns a channel that has the latest state after each change. A
// state that was not received before the next change is replaced by it. The
// channel is never closed and meant for one receiver.
func (l *Link) States() <-chan State { return l.states }

// State returns the current state.
func (l *Link) State() State { return *l.state.Load() }

// Stats returns the link's counters.
func (l *Link) Stats() Stats {
	return Stats{Received: l.received.Load(), Oversize: l.oversize.Load(), Stalls: l.stalls.Load()}
}

// SetFilters replaces the topic filters to subscribe to. Filters no longer
// wanted are unsubscribed. It returns at once; State tells of the result.
func (l *Link) SetFilters(filters []string) error {
	var faults []error
	for _, f := range filters {
		if err := checkFilter(f); err != nil {
			faults = append(faults, &ConfigError{"Filters", err.Error()})
		}
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	l.mu.Lock()
	l.wanted = unique(filters)
	l.mu.Unlock()
	signal(l.rewired)
	return nil
}

// filters returns all filters to subscribe to, sorted.
func (l *Link) filters() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	all := slices.Clone(l.wanted)
	for _, own := range []string{l.cfg.Availability, l.cfg.Note.Topic} {
		if own != "" {
			all = append(all, own)
		}
	}
	return unique(all)
}

func unique(filters []string) []string {
	filters = slices.Clone(filters)
	slices.Sort(filters)
	return slices.Compact(filters)
}

// Publication is a message to publish.
type Publication struct {
	Topic    string
	Payload  []byte
	QoS      byte // 0 or 1
	Retained bool
}

// Publish sends p and, at QoS 1, waits for the broker to confirm it. It does
// not queue: without a connection it returns ErrNotConnected. The confirmation
// comes in on the same stream as the messages, so it must not be called from
// the goroutine that receives them.
func (l *Link) Publish(ctx context.Context, p Publication) error {
	if err := checkTopic(p.Topic); err != nil {
		return err
	}
	if p.QoS > 1 {
		return errors.New("publish at QoS 2 is not supported")
	}
	s := l.session.Load()
	if s == nil {
		return ErrNotConnected
	}
	return s.await(ctx, s.client.Publish(p.Topic, p.QoS, p.Retained, p.Payload))
}

// Run connects and keeps the connection up until ctx is done. Then it closes
// Messages, waits for the acknowledgement of what was handed on, says goodbye
// to the broker and returns nil. It can be called once.
func (l *Link) Run(ctx context.Context) error {
	if l.started.Swap(true) {
		return errors.New("broker link was run already")
	}
	pause := newBackoff(l.cfg.RetryMin, l.cfg.RetryMax)
	for ctx.Err() == nil {
		s, err := l.connect(ctx)
		if err != nil {
			l.failed(ctx, err)
		} else {
			stable, reason := l.serve(ctx, s)
			if reason == nil {
				break
			}
			l.session.Store(nil)
			s.close()
			if stable {
				pause.reset()
			}
			l.lost(ctx, reason)
		}
		if !pause.wait(ctx) {
			break
		}
	}
	l.finish()
	return nil
}

// maxKicks is how often in a row the broker may end a young connection before
// the link supposes that another client has taken the session over.
const maxKicks = 3

// failed notes an attempt that led to no connection.
func (l *Link) failed(ctx context.Context, err error) {
	if ctx.Err() != nil {
		return
	}
	l.kicks = 0
	cause, problem := diagnose(err, &l.cfg)
	l.setState(State{Cause: cause, Problem: problem})
}

// answers reports whether the broker still listens. One that restarts closes
// its door before it ends its connections; one at which another client has
// taken the session over does not.
func (l *Link) answers(ctx context.Context, hostPort string) bool {
	ctx, cancel := context.WithTimeout(ctx, l.cfg.Timeout)
	defer cancel()
	c, err := new(net.Dialer).DialContext(ctx, "tcp", hostPort)
	if err != nil {
		return false
	}
	_ = c.Close()
	return true
}

// lost notes the end of a connection.
func (l *Link) lost(ctx context.Context, reason error) {
	hostPort, _, _ := address(l.cfg.URL)
	ended := errors.Is(reason, io.EOF) || errors.Is(reason, syscall.ECONNRESET)
	switch {
	case ended && l.answers(ctx, hostPort):
		l.kicks++
	case ended:
		l.kicks = 0
	}
	switch {
	case l.kicks > maxKicks:
		l.setState(State{Cause: ClientInUse, Problem: l.contest()})
	case errors.Is(reason, errProbe):
		l.setState(State{Cause: Silent, Problem: probeProblem(l.cfg.Availability)})
	case ended:
		l.setState(State{Cause: Lost, Problem: "The broker at " + hostPort + " closed the connection; connecting again. If this repeats, look at the broker's log."})
	default:
		l.setState(State{Cause: Lost, Problem: "The connection to the broker at " + hostPort + " was lost (" + cleanText(reason) + "); connecting again. If this repeats, check the network."})
	}
}

func (l *Link) contest() string {
	return fmt.Sprintf("The broker keeps closing the connection soon after accepting it. Most likely another client uses the client id %q too, and the two push each other out. Give each its own client id.", l.cfg.ClientID)
}

// connected notes how a standing connection is. The suspicion that the client
// id is in use stays until the connection has lasted.
func (l *Link) connected(next State) {
	next.Connected = true
	if next.Cause == "" && l.kicks > maxKicks {
		next.Cause, next.Problem = ClientInUse, l.contest()
	}
	l.setState(next)
}

// serve keeps a connection until it is lost, with a reason, or ctx is done,
// without one. Stable is set when the connection lasted.
func (l *Link) serve(ctx context.Context, s *session) (stable bool, reason error) {
	settled := time.NewTimer(l.cfg.StableAfter)
	defer settled.Stop()
	probe := time.NewTicker(l.cfg.ProbeEvery)
	defer probe.Stop()
	quiet := time.NewTicker(quietFor)
	defer quiet.Stop()
	drained := time.NewTimer(drainedAfter)
	defer drained.Stop()
	l.begin(ctx, s)
	l.connected(State{})
	l.subscribe(ctx, s, false)
	l.announce(ctx, s)
	for {
		select {
		case <-ctx.Done():
			return stable, nil
		case reason := <-s.lost:
			return stable, reason
		case <-settled.C:
			stable = true
			l.kicks = 0
			if st := l.State(); st.Cause == ClientInUse {
				l.connected(State{Subscribed: st.Subscribed})
			}
		case <-l.rewired:
			// A sensor that is new may need what the broker retains, which it
			// gives only upon a subscription: a filter of old can cover it.
			l.subscribe(ctx, s, true)
		case <-s.echoed:
			l.heard(s)
		case <-quiet.C:
			l.quiet(s)
		case <-drained.C:
			s.queued.Store(false)
		case <-probe.C:
			if l.State().Cause == Subscription {
				// Somebody may have corrected the access rules meanwhile.
				l.subscribe(ctx, s, false)
			}
			if err := l.probe(ctx, s); err != nil {
				return stable, err
			}
		}
	}
}

// finish closes the link after the last connection.
func (l *Link) finish() {
	close(l.stop)
	l.gate.Lock()
	close(l.messages)
	l.gate.Unlock()
	if s := l.session.Load(); s != nil {
		s.drain(l.cfg.DrainTimeout)
		s.farewell()
		s.close()
	}
	l.setState(State{Cause: Closing, Problem: "rearguard is stopping."})
}

// setState notes how the link stands, and since when if that is new.
func (l *Link) setState(next State) {
	old := l.State()
	next.Since, next.SessionLost, next.CertificateEnds = old.Since, l.sessionLost, l.certificateEnds
	if old.Connected != next.Connected || old.Subscribed != next.Subscribed || old.Cause != next.Cause {
		next.Since = l.cfg.Clock().UTC()
		level := slog.LevelInfo
		if next.Cause != "" && next.Cause != Closing {
			level = slog.LevelWarn
		}
		l.log.Log(context.Background(), level, "broker link", "connected", next.Connected, "subscribed", next.Subscribed, "problem", next.Problem)
	}
	if next == old {
		return
	}
	l.state.Store(&next)
	for {
		select {
		case l.states <- next:
			return
		default:
		}
		select {
		case <-l.states:
		default:
		}
	}
}

// deliver hands a message on and reports whether it did.
func (l *Link) deliver(s *session, m sensors.Message) bool {
	l.gate.RLock()
	defer l.gate.RUnlock()
	select {
	case <-l.stop:
		return false
	default:
	}
	select {
	case l.messages <- m:
		return true
	default:
	}
	l.stalls.Add(1)
	if !s.stalled {
		s.stalled = true
		l.log.Warn("broker link stops reading until its receiver catches up", "waiting", cap(l.messages))
	}
	select {
	case l.messages <- m:
		return true
	case <-s.conn.closed:
	case <-l.stop:
	}
	return false
}

// handle takes a message from the client library. It runs on the library's
// receive loop.
func (l *Link) handle(s *session, m mqtt.Message) {
	l.received.Add(1)
	number, ok := s.acks.expect(m.MessageID(), m.Qos())
	if !ok {
		return
	}
	done := func() {
		if m.Qos() == 2 {
			// From the time before this link, if another subscriber had the
			// session. The library keeps the handshake that these need.
			m.Ack()
		}
		s.acks.done(number)
	}
	body := m.Payload()
	switch {
	case len(body) > l.cfg.MaxPayload:
		size := s.conn.oversizeBytes()
		l.oversize.Add(1)
		if l.cfg.Unusable != nil {
			l.cfg.Unusable.Add(m.Topic(), l.cfg.Clock().UTC(), oversizeReason(size, l.cfg.MaxPayload), size, body)
		}
	case l.cfg.Availability != "" && m.Topic() == l.cfg.Availability:
		l.echo(s, m)
	case l.cfg.Note.Topic != "" && m.Topic() == l.cfg.Note.Topic:
		if m.Retained() {
			l.cfg.Note.Found(body)
		}
	default:
		handed := l.deliver(s, sensors.Message{
			Topic: m.Topic(), Payload: body, Retained: m.Retained(), Received: l.cfg.Clock().UTC(),
			Delivery: sensors.Delivery{Packet: m.MessageID(), Again: m.Duplicate(), Queued: s.queued.Load()},
			Ack:      done,
		})
		if !handed {
			s.acks.drop(number)
		}
		return
	}
	done()
}

// backoff is the pause between attempts: it doubles up to a limit, and the
// actual pause is drawn evenly below it, so that the clients of a broker that
// restarts do not all come back at once.
type backoff struct{ min, max, next time.Duration }

func newBackoff(least, most time.Duration) *backoff {
	return &backoff{least, max(least, most), least}
}

func (b *backoff) reset() { b.next = b.min }

// wait pauses, and reports false when ctx was done meanwhile.
func (b *backoff) wait(ctx context.Context) bool {
	pause := b.min/2 + rand.N(b.next)
	b.next = min(2*b.next, b.max)
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}
