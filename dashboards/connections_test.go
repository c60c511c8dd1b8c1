package dashboards_test

import (
	"bufio"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"rearguard/dashboards"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
)

// strangers are connections that seem to come from other machines.
type strangers struct {
	net.Listener
	from []string
}

func (s *strangers) Accept() (net.Conn, error) {
	c, err := s.Listener.Accept()
	if err != nil {
		return nil, err
	}
	from := s.from[0]
	s.from = s.from[1:]
	return stranger{c, net.TCPAddrFromAddrPort(netip.MustParseAddrPort(from))}, nil
}

type stranger struct {
	net.Conn
	from net.Addr
}

func (s stranger) RemoteAddr() net.Addr { return s.from }

// One connection too many is told so and closed, and does not count.
func TestConnectionsAreBounded(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	const one, other, proxy, self = "192.0.2.1:1", "192.0.2.2:1", "198.51.100.9:1", "127.0.0.1:1"
	bounded := dashboards.Bound(&strangers{l, []string{one, one, one, proxy, proxy, proxy, self, other, one}}, 7, 2,
		[]netip.Prefix{netip.MustParsePrefix("198.51.100.0/24")})
	taken := make(chan net.Conn, 16)
	go func() {
		defer close(taken)
		for {
			c, err := bounded.Accept()
			if err != nil {
				return
			}
			taken <- c
		}
	}()
	defer bounded.Close()
	dial := func() net.Conn {
		t.Helper()
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	refused := func(c net.Conn) bool {
		_ = c.SetReadDeadline(time.Now().Add(10 * time.Second))
		answer, err := io.ReadAll(c)
		return err == nil && strings.HasPrefix(string(answer), "HTTP/1.1 503 ") && strings.HasSuffix(string(answer), "a few seconds.\r\n")
	}
	dial()
	first := <-taken
	dial()
	<-taken
	if !refused(dial()) {
		t.Error("a third connection from one address was not refused")
	}
	for range 4 {
		dial()
		<-taken
	}
	dial()
	<-taken
	// Seven are open: two of one address, three of a proxy, one of the machine
	// itself and one of another.
	first.Close()
	first.Close()
	dial()
	<-taken
	l.Close()
	if c, more := <-taken; more {
		t.Errorf("%v was taken as well", c.RemoteAddr())
	}
}

// The bound over all holds for connections of the machine itself too, and what
// is refused reads like an answer.
func TestConnectionsOfTheMachineAreBoundedToo(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server, err := dashboards.Server(dashtest.New(dashtest.Sample()), "1", web.Options{Now: dashtest.Now, Wall: dashtest.Now})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- server.Serve(dashboards.Bound(l, 3, 1, nil)) }()
	defer func() { server.Close(); <-done }()
	var held []net.Conn
	for range 3 {
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		held = append(held, c)
	}
	ask := func() int {
		client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
		answer, err := client.Get("http://" + l.Addr().String() + "/healthz")
		if err != nil {
			t.Log(err)
			return 0
		}
		defer answer.Body.Close()
		return answer.StatusCode
	}
	// The answer comes before any request.
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	answer, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("beside three open connections: status %d", answer.StatusCode)
	}
	for _, c := range held {
		c.Close()
	}
	deadline := time.Now().Add(10 * time.Second)
	for ask() != http.StatusOK {
		if time.Now().After(deadline) {
			t.Fatal("closed connections are still counted")
		}
		<-time.After(5 * time.Millisecond)
	}
}

func TestWrongMethodOfTheRest(t *testing.T) {
	h, err := dashboards.Handler(dashtest.New(dashtest.Sample()), "1", web.Options{Now: dashtest.Now, Wall: dashtest.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	for _, tt := range []struct{ method, path, allow string }{
		{http.MethodPost, "/healthz", "GET, HEAD"}, {http.MethodDelete, "/metrics", "GET, HEAD"}, {http.MethodPost, "/calendar.ics", "GET, HEAD"},
		{http.MethodDelete, "/api/v1/rooms", "GET, HEAD"}, {http.MethodGet, "/api/v1/alarms/acknowledge", "POST"}, {http.MethodPut, "/api/v1/cohorts", "GET, HEAD, POST"},
	} {
		r := httptest.NewRequest(tt.method, "http://localhost"+tt.path, http.NoBody)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") != tt.allow {
			t.Errorf("%s %s: status %d, allow %q; want 405 and %q", tt.method, tt.path, w.Code, w.Header().Get("Allow"), tt.allow)
		}
	}
}
