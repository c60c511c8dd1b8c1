package broker

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// readBuffer is the size of the receive buffer. The client library reads its
// packet headers byte by byte; from the bare socket each byte would be a
// system call.
const readBuffer = 64 << 10

// maxControlPacket bounds every packet that is no PUBLISH. The answers a
// broker sends are far smaller.
const maxControlPacket = 1 << 20

// Types of packets (MQTT 3.1.1 section 2.2.1).
const (
	publishPacket = 3
	subackPacket  = 9
)

// conn is a buffered connection that keeps oversize messages out of memory.
// It follows the packet boundaries in the stream (MQTT 3.1.1 section 2.2) and
// cuts each PUBLISH whose payload is longer than the limit down to one byte
// more than the limit, with the lengths put right, so that the library never
// allocates for more and the receiver sees that the message is too long.
type conn struct {
	net.Conn
	r            *bufio.Reader
	limit        int
	writeTimeout time.Duration
	// header is rewritten packet header still to be read, pass how many bytes
	// of the current packet follow it, and skip how many are then dropped.
	header     []byte
	pass, skip int

	// subscribing is how many filters the last SUBSCRIBE has. The library
	// would fail on an answer with more return codes than that.
	subscribing atomic.Int32

	// certificateEnds is when the broker's certificate is no longer valid, zero
	// without TLS.
	certificateEnds time.Time

	mu sync.Mutex
	// oversize are the true payload sizes of cut messages, in stream order.
	oversize []int

	closed    chan struct{}
	closeOnce sync.Once
	closeErr  error
}

func newConn(c net.Conn, limit int, writeTimeout time.Duration) *conn {
	return &conn{Conn: c, r: bufio.NewReaderSize(c, readBuffer), limit: limit, writeTimeout: writeTimeout, closed: make(chan struct{})}
}

// dial opens a connection to the configured broker.
func dial(ctx context.Context, c *Config) (*conn, error) {
	hostPort, secure, err := address(c.URL)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, c.Timeout)
	defer cancel()
	raw, err := new(net.Dialer).DialContext(ctx, "tcp", hostPort)
	if err != nil {
		return nil, err
	}
	if secure {
		host, _, err := net.SplitHostPort(hostPort)
		if err != nil {
			return nil, errors.Join(err, raw.Close())
		}
		t, err := c.Certificates.config(host)
		if err != nil {
			return nil, errors.Join(&fileError{err}, raw.Close())
		}
		client := tls.Client(raw, t)
		if err := client.HandshakeContext(ctx); err != nil {
			_ = raw.Close()
			return nil, &tlsError{err}
		}
		opened := newConn(client, c.MaxPayload, c.Timeout)
		opened.certificateEnds = validUntil(client.ConnectionState().VerifiedChains)
		return opened, nil
	}
	return newConn(raw, c.MaxPayload, c.Timeout), nil
}

// validUntil is when the last of the chains that vouch for a certificate
// breaks, each with its first certificate that ends.
func validUntil(chains [][]*x509.Certificate) time.Time {
	var last time.Time
	for _, chain := range chains {
		var first time.Time
		for _, c := range chain {
			if first.IsZero() || c.NotAfter.Before(first) {
				first = c.NotAfter
			}
		}
		if first.After(last) {
			last = first
		}
	}
	return last.UTC()
}

func (c *conn) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if c.pass == 0 && len(c.header) == 0 {
		if err := c.nextPacket(); err != nil {
			return 0, err
		}
	}
	if len(c.header) > 0 {
		n := copy(p, c.header)
		c.header = c.header[n:]
		return n, nil
	}
	n, err := c.r.Read(p[:min(len(p), c.pass)])
	c.pass -= n
	return n, err
}

// nextPacket looks at the header of the next packet and decides how much of
// the packet is handed on.
func (c *conn) nextPacket() error {
	for c.skip > 0 {
		n, err := c.r.Discard(c.skip)
		c.skip -= n
		if err != nil {
			return err
		}
	}
	header, length, err := c.peekHeader()
	if err != nil {
		return err
	}
	c.pass = header + length
	first, err := c.r.Peek(header)
	if err != nil {
		return err
	}
	switch kind := first[0] >> 4; {
	case kind == subackPacket && length-2 > int(c.subscribing.Load()):
		return fmt.Errorf("broker answers a subscription to %d filters with %d return codes", c.subscribing.Load(), length-2)
	case kind != publishPacket && length > maxControlPacket:
		return fmt.Errorf("broker sent a packet of type %d with %d bytes", kind, length)
	case kind != publishPacket || length <= c.limit:
		return nil
	}
	if first, err = c.r.Peek(header + 2); err != nil {
		return err
	}
	before := 2 + int(binary.BigEndian.Uint16(first[header:]))
	if first[0]&0x06 != 0 {
		before += 2 // the packet identifier, absent at QoS 0
	}
	size := length - before
	if size <= c.limit {
		return nil
	}
	c.mu.Lock()
	c.oversize = append(c.oversize, size)
	c.mu.Unlock()
	c.pass = before + c.limit + 1
	c.skip = length - c.pass
	c.header = appendLength([]byte{first[0]}, c.pass)
	_, err = c.r.Discard(header)
	return err
}

// peekHeader returns the size of the next packet's fixed header and its
// remaining length.
func (c *conn) peekHeader() (header, length int, err error) {
	for n := 2; n <= 5; n++ {
		b, err := c.r.Peek(n)
		if err != nil {
			if len(b) > 0 && errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			return 0, 0, err
		}
		length |= int(b[n-1]&0x7F) << (7 * (n - 2))
		if b[n-1] < 0x80 {
			return n, length, nil
		}
	}
	return 0, 0, errors.New("broker sent a packet with a malformed length")
}

func appendLength(b []byte, length int) []byte {
	for length >= 0x80 {
		b = append(b, byte(length)|0x80)
		length >>= 7
	}
	return append(b, byte(length))
}

// oversizeBytes returns the true size of the oldest cut message not asked for
// yet.
func (c *conn) oversizeBytes() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.oversize) == 0 {
		return 0
	}
	size := c.oversize[0]
	c.oversize = c.oversize[1:]
	return size
}

// Write gives the connection up when the peer takes nothing for too long.
func (c *conn) Write(p []byte) (int, error) {
	stuck := time.AfterFunc(c.writeTimeout, func() { _ = c.Close() })
	defer stuck.Stop()
	return c.Conn.Write(p)
}

func (c *conn) Close() error {
	c.closeOnce.Do(func() {
		close(c.closed)
		c.closeErr = c.Conn.Close()
	})
	return c.closeErr
}
