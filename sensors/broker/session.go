package broker

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// The payloads of the availability topic.
const (
	Online  = "online"
	Offline = "offline"
)

// session is one connection. Each connection has a client of its own, as the
// library's clients do not bear being connected again.
type session struct {
	client mqtt.Client
	conn   *conn
	acks   *acker
	wg     sync.WaitGroup
	// lost receives the reason when the connection ends.
	lost chan error
	// active are the filters granted in this connection.
	active map[string]bool
	// echoed is signalled when a probe has come back. Probing is set while
	// one is on its way, and overdue counts those that did not come back.
	echoed  chan struct{}
	probing bool
	overdue int
	// before is how many messages the link had received when the last probe
	// was sent.
	before  uint64
	timeout time.Duration
	// stalled is set once the receiver has been found behind. Only the
	// library's receive loop uses it.
	stalled bool
	// kept is set when the broker still had the session. Queued is set while
	// what it delivers may have waited there for as long as the link was down.
	kept   atomic.Bool
	queued atomic.Bool
	// quietAt is how many messages the link had received when it was last
	// looked whether any come.
	quietAt uint64
	// stale is how many "online" of earlier connections may still lie in the
	// queue. Only the library's receive loop uses it.
	stale int64
	// announced is set once this connection has published that it is there.
	announced atomic.Bool
	// goodbye publishes "offline". Nil without an availability topic.
	goodbye func() mqtt.Token
}

// connect makes one attempt to connect.
func (l *Link) connect(ctx context.Context) (*session, error) {
	password, err := l.cfg.Login.password()
	if err != nil {
		return nil, &fileError{err}
	}
	ctx, cancel := context.WithTimeout(ctx, l.cfg.Timeout)
	defer cancel()
	opened, err := dial(ctx, &l.cfg)
	if err != nil {
		return nil, err
	}
	s := &session{
		conn: opened, acks: newAcker(), lost: make(chan error, 1), active: map[string]bool{},
		echoed: make(chan struct{}, 1), timeout: l.cfg.Timeout,
	}
	// Messages can come before it is known whether the session was kept; it was
	// then, or none would come before the subscription.
	s.queued.Store(true)
	s.kept.Store(true)
	s.stale = l.unechoed.Load()
	o := mqtt.NewClientOptions()
	o.AddBroker("tcp://broker") // only a name: the connection is open already
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return opened, nil })
	o.SetProtocolVersion(4).SetClientID(l.cfg.ClientID).SetCleanSession(false)
	o.SetUsername(l.cfg.Login.Username).SetPassword(password)
	o.SetConnectTimeout(l.cfg.Timeout).SetWriteTimeout(l.cfg.Timeout)
	o.SetKeepAlive(l.cfg.KeepAlive).SetPingTimeout(l.cfg.Timeout)
	o.SetAutoReconnect(false).SetConnectRetry(false).SetStore(noStore{})
	o.SetOrderMatters(true).SetAutoAckDisabled(true)
	// The handler must be there before the connection: a broker delivers what
	// it kept for the session without waiting for a subscription.
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { l.handle(s, m) })
	o.SetConnectionLostHandler(func(_ mqtt.Client, reason error) { s.lost <- reason })
	if l.cfg.Availability != "" {
		o.SetWill(l.cfg.Availability, Offline, 1, true)
		s.goodbye = func() mqtt.Token { return s.client.Publish(l.cfg.Availability, 1, true, Offline) }
	}
	s.client = mqtt.NewClient(o)
	stop := context.AfterFunc(ctx, func() { _ = opened.Close() })
	token := s.client.Connect()
	<-token.Done() // bounded by the connect timeout, and by closing the connection
	if !stop() && token.Error() == nil {
		s.close()
		return nil, ctx.Err()
	}
	if err := token.Error(); err != nil {
		_ = opened.Close()
		if ctx.Err() != nil {
			err = ctx.Err()
		}
		return nil, err
	}
	if answer, ok := token.(*mqtt.ConnectToken); ok {
		s.kept.Store(answer.SessionPresent())
	}
	s.queued.Store(s.kept.Load())
	s.wg.Go(func() { s.acks.run(opened, opened.closed) })
	l.session.Store(s)
	return s, nil
}

// await waits for the library to complete token.
func (s *session) await(ctx context.Context, token mqtt.Token) error {
	timer := time.NewTimer(s.timeout)
	defer timer.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-timer.C:
		return fmt.Errorf("no answer from the broker within %v", s.timeout)
	case <-s.conn.closed:
		return ErrNotConnected
	case <-ctx.Done():
		return ctx.Err()
	}
}

// filtersPerPacket keeps the packets that subscribe small.
const filtersPerPacket = 100

// refused is the return code of a refused subscription (MQTT 3.1.1 section
// 3.9.3).
const refused = 0x80

// subscribe brings the broker's session in line with the wanted filters. Anew
// subscribes to all of them again, also to those that the session has.
func (l *Link) subscribe(ctx context.Context, s *session, anew bool) {
	wanted := l.filters()
	known, err := l.knownFilters(ctx, s)
	if err != nil {
		l.log.Error("read the subscribed topic filters", "error", err)
	}
	// What is about to be subscribed is noted first: a filter that a crash
	// leaves behind in the session unnoted could never be unsubscribed.
	l.remember(ctx, unique(append(slices.Clone(wanted), known...)))
	var stale, missing []string
	for _, f := range known {
		if _, ok := slices.BinarySearch(wanted, f); !ok {
			stale = append(stale, f)
		}
	}
	for _, f := range wanted {
		if anew || !s.active[f] {
			missing = append(missing, f)
		}
	}
	var failures, denied []string
	for batch := range slices.Chunk(stale, filtersPerPacket) {
		if err := s.await(ctx, s.client.Unsubscribe(batch...)); err != nil {
			failures = append(failures, err.Error())
			wanted = unique(append(slices.Clone(wanted), batch...))
			continue
		}
		for _, f := range batch {
			delete(s.active, f)
		}
	}
	for batch := range slices.Chunk(missing, filtersPerPacket) {
		codes, err := s.request(ctx, batch)
		if err != nil {
			failures = append(failures, err.Error())
			continue
		}
		for _, f := range batch {
			if code, answered := codes[f]; answered && code < refused {
				s.active[f] = true
			} else {
				denied = append(denied, f)
			}
		}
	}
	if ctx.Err() != nil {
		return
	}
	l.remember(ctx, wanted)
	switch {
	case len(denied) > 0:
		l.connected(State{Cause: Subscription, Problem: fmt.Sprintf("The broker refuses the subscription to %s. Allow %s to read it in the broker's access rules, or correct the topic.",
			quoteSome(denied), l.whoami())})
	case len(failures) > 0:
		l.connected(State{Cause: Subscription, Problem: fmt.Sprintf("Subscribing failed: %s. Look at the broker's log.", failures[0])})
	default:
		l.connected(State{Subscribed: true})
	}
}

// whoami is how the broker's access rules know this client.
func (l *Link) whoami() string {
	switch {
	case l.cfg.Login.Username != "":
		return fmt.Sprintf("user %q", l.cfg.Login.Username)
	case l.cfg.Certificates.CertFile != "":
		return "the user of the client certificate"
	}
	return fmt.Sprintf("the client %q", l.cfg.ClientID)
}

// request subscribes to filters and returns the broker's return codes.
func (s *session) request(ctx context.Context, filters []string) (map[string]byte, error) {
	ask := make(map[string]byte, len(filters))
	for _, f := range filters {
		ask[f] = 1
	}
	s.conn.subscribing.Store(int32(len(ask)))
	token := s.client.SubscribeMultiple(ask, nil)
	if err := s.await(ctx, token); err != nil {
		return nil, err
	}
	answer, ok := token.(*mqtt.SubscribeToken)
	if !ok {
		return nil, errors.New("no return codes")
	}
	return answer.Result(), nil
}

// knownFilters returns what the broker's session may be subscribed to.
func (l *Link) knownFilters(ctx context.Context, s *session) ([]string, error) {
	known := slices.Collect(maps.Keys(s.active))
	if l.cfg.FilterStore == nil {
		return unique(append(known, l.remembered()...)), nil
	}
	stored, err := l.cfg.FilterStore.SubscribedFilters(ctx)
	return unique(append(known, stored...)), err
}

func (l *Link) remembered() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.inSession)
}

func (l *Link) remember(ctx context.Context, filters []string) {
	l.mu.Lock()
	l.inSession = slices.Clone(filters)
	l.mu.Unlock()
	if l.cfg.FilterStore == nil {
		return
	}
	if err := l.cfg.FilterStore.SaveSubscribedFilters(ctx, filters); err != nil {
		l.log.Error("save the subscribed topic filters", "error", err)
	}
}

func quoteSome(filters []string) string {
	const most = 3
	rest := ""
	if n := len(filters) - most; n > 0 {
		filters, rest = filters[:most], fmt.Sprintf(" and %d more", n)
	}
	quoted := make([]string, len(filters))
	for i, f := range filters {
		quoted[i] = fmt.Sprintf("%q", f)
	}
	return strings.Join(quoted, ", ") + rest
}

// drain waits until everything handed on has been acknowledged.
func (s *session) drain(limit time.Duration) {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for !s.acks.drained() {
		select {
		case <-s.acks.idle:
		case <-s.conn.closed:
			return
		case <-timer.C:
			return
		}
	}
}

// farewell leaves "offline" behind: a clean DISCONNECT withdraws the will.
func (s *session) farewell() {
	if s.goodbye != nil {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		// Best effort: where it fails, the broker publishes the will instead.
		_ = s.await(ctx, s.goodbye())
	}
}

// close ends the connection and waits for what the session started.
func (s *session) close() {
	s.client.Disconnect(250)
	_ = s.conn.Close()
	s.wg.Wait()
}

// noStore is the library's message store left empty: a client lives as long
// as its connection, and what must survive one is kept by the broker (towards
// us) or by the caller (from us).
type noStore struct{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}
