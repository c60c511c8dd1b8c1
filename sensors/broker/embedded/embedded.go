// Package embedded runs an MQTT broker inside rearguard, for the demo and for
// a small site that has none. Sessions and retained messages live in memory:
// they outlast a client's absence, and end with the program. What was kept for
// an absent client comes in no particular order.
package embedded

import (
	"crypto/subtle"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Options says where and for whom the broker is there.
type Options struct {
	// Address is the host and port to listen on. Empty means a free port on
	// the loopback interface.
	Address string
	// Users maps user names to passwords. Without users anybody is let in,
	// which is refused for any address but a loopback one.
	Users map[string]string
	// Logger takes the broker's log, from warnings up. May be nil.
	Logger *slog.Logger
}

// Broker is a running broker.
type Broker struct {
	server  *mochi.Server
	address string
}

// maxInflight is how many messages may be on their way to one client. The
// broker drops what exceeds it, so it is the most that packet identifiers
// allow (16 bits, without zero) less some room.
const maxInflight = 65000

// Start starts a broker. It listens when Start returns.
func Start(o Options) (*Broker, error) {
	if o.Address == "" {
		o.Address = "127.0.0.1:0"
	}
	host, _, err := net.SplitHostPort(o.Address)
	if err != nil {
		return nil, fmt.Errorf("embedded broker: address %q: want host:port", o.Address)
	}
	if len(o.Users) == 0 && !isLoopback(host) {
		return nil, fmt.Errorf("embedded broker: %s can be reached from other machines; name users and passwords, or listen on 127.0.0.1", o.Address)
	}
	logger := slog.New(slog.DiscardHandler)
	if o.Logger != nil {
		logger = o.Logger
	}
	capabilities := mochi.NewDefaultServerCapabilities()
	capabilities.MaximumInflight = maxInflight
	capabilities.MaximumClientWritesPending = maxInflight
	server := mochi.New(&mochi.Options{Logger: logger, Capabilities: capabilities})
	if err := server.AddHook(&doorkeeper{users: o.Users}, nil); err != nil {
		return nil, fmt.Errorf("embedded broker: set access rules: %w", err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "mqtt", Address: o.Address})
	if err := server.AddListener(listener); err != nil {
		return nil, errors.Join(fmt.Errorf("embedded broker: listen on %s: %w", o.Address, err), server.Close())
	}
	if err := server.Serve(); err != nil {
		return nil, errors.Join(fmt.Errorf("embedded broker: serve: %w", err), server.Close())
	}
	return &Broker{server: server, address: listener.Address()}, nil
}

func isLoopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// URL returns the broker's address, as a configuration names it.
func (b *Broker) URL() string { return "tcp://" + b.address }

// Close ends the broker and disconnects its clients.
func (b *Broker) Close() error { return b.server.Close() }

// doorkeeper lets clients in, and keeps the packet identifiers of the two
// directions apart. MQTT numbers what a client sends and what it is sent
// independently (MQTT 3.1.1 section 2.3.1). The server does not: it refuses a
// subscription, ignores an unsubscription and forgets a message on its way
// where the client's number is also that of a message waiting for the client.
// A client that comes back to a queue of messages begins to count at 1, and so
// meets that at once.
type doorkeeper struct {
	mochi.HookBase
	users map[string]string
	// asked holds the client's own number of the request that its goroutine is
	// working on, by *mochi.Client, where another one stands in for it.
	asked sync.Map
}

func (*doorkeeper) ID() string { return "doorkeeper" }

func (*doorkeeper) Provides(b byte) bool {
	switch b {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPacketRead, mochi.OnPacketEncode, mochi.OnDisconnect:
		return true
	}
	return false
}

// OnPacketRead puts a free number in place of one that is in use.
func (d *doorkeeper) OnPacketRead(c *mochi.Client, p packets.Packet) (packets.Packet, error) {
	switch kind := p.FixedHeader.Type; {
	case kind == packets.Subscribe, kind == packets.Unsubscribe, kind == packets.Publish && p.FixedHeader.Qos == 1:
	default:
		return p, nil
	}
	if _, used := c.State.Inflight.Get(p.PacketID); !used || p.PacketID == 0 {
		return p, nil
	}
	for id := uint16(math.MaxUint16); id > 0; id-- {
		if _, used := c.State.Inflight.Get(id); !used {
			d.asked.Store(c, p.PacketID)
			p.PacketID = id
			break
		}
	}
	return p, nil
}

// OnPacketEncode gives the answer the client's own number again.
func (d *doorkeeper) OnPacketEncode(c *mochi.Client, p packets.Packet) packets.Packet {
	switch p.FixedHeader.Type {
	case packets.Suback, packets.Unsuback, packets.Puback:
		if id, ok := d.asked.LoadAndDelete(c); ok {
			p.PacketID = id.(uint16) //nolint:errcheck // only packet ids are stored
		}
	}
	return p
}

func (d *doorkeeper) OnDisconnect(c *mochi.Client, _ error, _ bool) { d.asked.Delete(c) }

func (d *doorkeeper) OnConnectAuthenticate(_ *mochi.Client, p packets.Packet) bool {
	if len(d.users) == 0 {
		return true
	}
	password, known := d.users[string(p.Connect.Username)]
	return subtle.ConstantTimeCompare([]byte(password), p.Connect.Password) == 1 && known
}

// OnACLCheck lets a client that is in write and read everything but the
// broker's own topics, which it may only read.
func (*doorkeeper) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	return !write || topic == "" || topic[0] != '$'
}
