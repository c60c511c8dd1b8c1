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
	"net"

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

// Address returns the host and port on which the broker listens.
func (b *Broker) Address() string { return b.address }

// URL returns the broker's address for a link.
func (b *Broker) URL() string { return "mqtt://" + b.address }

// Close ends the broker and disconnects its clients.
func (b *Broker) Close() error { return b.server.Close() }

// doorkeeper lets clients in.
type doorkeeper struct {
	mochi.HookBase
	users map[string]string
}

func (*doorkeeper) ID() string { return "doorkeeper" }

func (*doorkeeper) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

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
	return !write || len(topic) == 0 || topic[0] != '$'
}
