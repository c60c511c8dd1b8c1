package dashboards

import (
	"io"
	"net"
	"net/netip"
	"sync"
)

// Bounds on the connections of the pages. Each takes some 25 kB.
const (
	// MostConnections is for all of them, MostOfOne for those from one address.
	MostConnections = 1024
	MostOfOne       = 128
)

// tooMany is told before a connection that is one too many is closed.
const tooMany = "HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain; charset=utf-8\r\n" +
	"Content-Length: 60\r\nRetry-After: 10\r\nConnection: close\r\n\r\n" +
	"Too many connections are open; try again in a few seconds.\r\n"

// Bound limits the connections that are open at once: all of them, and those
// from one address unless it is of the machine itself or spared, as proxies
// are, who speak for many. One too many is told so and closed.
func Bound(l net.Listener, all, ofOne int, spared []netip.Prefix) net.Listener {
	return &bound{Listener: l, all: all, ofOne: ofOne, spared: spared, open: map[netip.Addr]int{}}
}

type bound struct {
	net.Listener
	all, ofOne int
	spared     []netip.Prefix

	mu    sync.Mutex
	total int
	open  map[netip.Addr]int
}

func (b *bound) Accept() (net.Conn, error) {
	for {
		c, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from := b.addressOf(c)
		if b.enter(from) {
			return &counted{Conn: c, leave: sync.OnceFunc(func() { b.leave(from) })}, nil
		}
		// Its buffer is empty: this does not wait for the other side.
		_, _ = io.WriteString(c, tooMany)
		_ = c.Close()
	}
}

// addressOf is the address that a connection counts for, the zero value for
// one that counts for none.
func (b *bound) addressOf(c net.Conn) netip.Addr {
	from, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	ip := from.Addr().Unmap()
	if ip.IsLoopback() {
		return netip.Addr{}
	}
	for _, p := range b.spared {
		if p.Contains(ip) {
			return netip.Addr{}
		}
	}
	return ip
}

func (b *bound) enter(from netip.Addr) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.total >= b.all || from.IsValid() && b.open[from] >= b.ofOne {
		return false
	}
	b.total++
	if from.IsValid() {
		b.open[from]++
	}
	return true
}

func (b *bound) leave(from netip.Addr) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.total--
	if !from.IsValid() {
		return
	}
	if b.open[from]--; b.open[from] == 0 {
		delete(b.open, from)
	}
}

// counted is a connection that is counted until it is closed.
type counted struct {
	net.Conn
	leave func()
}

func (c *counted) Close() error {
	defer c.leave()
	return c.Conn.Close()
}
