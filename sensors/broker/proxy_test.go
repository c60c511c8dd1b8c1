package broker_test

import (
	"io"
	"net"
	"sync"
	"testing"
)

// proxy is a TCP relay whose connections can be cut without a farewell.
type proxy struct {
	address string
	mu      sync.Mutex
	open    []net.Conn
	down    bool
}

func newProxy(t *testing.T, target string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{address: l.Addr().String()}
	var relays sync.WaitGroup
	t.Cleanup(func() {
		_ = l.Close()
		p.cut()
		relays.Wait()
	})
	relays.Go(func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", target)
			if err != nil || !p.keep(in, out) {
				_ = in.Close()
				continue
			}
			relays.Go(func() { _, _ = io.Copy(in, out); _ = in.Close() })
			relays.Go(func() { _, _ = io.Copy(out, in); _ = out.Close() })
		}
	})
	return p
}

func (p *proxy) keep(conns ...net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.open = append(p.open, conns...)
	return !p.down
}

// cut ends all connections and lets no new one through.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = true
	for _, c := range p.open {
		_ = c.Close()
	}
}
