package broker

import (
	"bytes"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// stream is a connection that only has something to read.
type stream struct {
	net.Conn
	io.Reader
}

func (s stream) Read(p []byte) (int, error) { return s.Reader.Read(p) }
func (stream) Close() error                 { return nil }

func encode(t testing.TB, messages ...packets.ControlPacket) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, m := range messages {
		if err := m.Write(&b); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

func publication(topic string, qos byte, id uint16, payload string) *packets.PublishPacket {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic, qos, id, []byte(payload)
	return p
}

// TestStreamIsCut reads packets through a conn with the library's own reader.
func TestStreamIsCut(t *testing.T) {
	const limit = 200
	ping := packets.NewControlPacket(packets.Pingresp)
	suback := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
	suback.MessageID, suback.ReturnCodes = 7, make([]byte, 1000)
	var sent []packets.ControlPacket
	var want []string
	var sizes []int
	for i, size := range []int{0, 1, limit - 1, limit, limit + 1, limit + 2, 127, 128, 16383, 16384, 300000, 3, limit} {
		topic := strings.Repeat("t", 1+i*40)
		payload := strings.Repeat(string(rune('a'+i)), size)
		sent = append(sent, publication(topic, byte(i%2), uint16(i*(i%2)), payload), ping, suback)
		if size > limit {
			sizes = append(sizes, size)
			payload = payload[:limit+1]
		}
		want = append(want, topic+" "+payload)
	}
	for _, chunk := range []int{1, 3, 100000} {
		c := newConn(stream{Reader: &chunked{encode(t, sent...), chunk}}, limit, time.Second)
		c.subscribing.Store(int32(len(suback.ReturnCodes)))
		var got []string
		for i := 0; ; i++ {
			p, err := packets.ReadPacket(c)
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("packet %d: %v", i, err)
			}
			if p, ok := p.(*packets.PublishPacket); ok {
				got = append(got, p.TopicName+" "+string(p.Payload))
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("chunks of %d: got %d messages that differ", chunk, len(got))
		}
		var seen []int
		for size := c.oversizeBytes(); size > 0; size = c.oversizeBytes() {
			seen = append(seen, size)
		}
		if !slices.Equal(seen, sizes) {
			t.Errorf("sizes %v, want %v", seen, sizes)
		}
	}
}

// chunked hands out a few bytes at a time.
type chunked struct {
	rest []byte
	n    int
}

func (c *chunked) Read(p []byte) (int, error) {
	if len(c.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(len(p), c.n)], c.rest)
	c.rest = c.rest[n:]
	return n, nil
}

func TestStreamRefusesHugeAnswers(t *testing.T) {
	for name, raw := range map[string][]byte{
		"an answer unasked":  {0x90, 0x03, 0, 1, 0},
		"a SUBACK of 256 MB": {0x90, 0xFF, 0xFF, 0xFF, 0x7F, 0, 0},
		"a PINGRESP of 2 MB": {0xD0, 0x80, 0x80, 0x80, 0x01},
		"a length too long":  {0x30, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F},
		"half a header":      {0x30},
	} {
		c := newConn(stream{Reader: bytes.NewReader(raw)}, 100, time.Second)
		if _, err := packets.ReadPacket(c); err == nil || errors.Is(err, io.EOF) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

// FuzzStream feeds arbitrary bytes: nothing may hang, crash or make the
// library allocate for more than the limit.
func FuzzStream(f *testing.F) {
	const limit = 100
	f.Add(encode(f, publication("a", 1, 1, "21.5"), publication("b", 0, 0, strings.Repeat("x", 500)), packets.NewControlPacket(packets.Pingresp)))
	f.Add([]byte{0x30, 0xFF, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF})
	f.Fuzz(func(t *testing.T, raw []byte) {
		c := newConn(stream{Reader: bytes.NewReader(raw)}, limit, time.Second)
		for {
			p, err := packets.ReadPacket(c)
			if err != nil {
				return
			}
			if p, ok := p.(*packets.PublishPacket); ok && len(p.Payload) > limit+1 {
				t.Fatalf("payload of %d bytes", len(p.Payload))
			}
		}
	})
}

func TestMatch(t *testing.T) {
	// The examples of MQTT 3.1.1 sections 4.7.1 and 4.7.2.
	tests := []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"#", "sport/tennis", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/uptime", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/uptime", true},
		{"$SYS/monitor/+", "$SYS/monitor/Clients", true},
		{"a/b", "a/b", true},
		{"a/b", "a/b/c", false},
		{"a/b/c", "a/b", false},
		{"a", "A", false},
	}
	for _, test := range tests {
		if got := Match(test.filter, test.topic); got != test.want {
			t.Errorf("Match(%q, %q) = %t", test.filter, test.topic, got)
		}
	}
}

func TestRing(t *testing.T) {
	r := NewRing(3)
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	body := []byte(strings.Repeat("x", 1000))
	for i := range 5 {
		r.Add("a", at.Add(time.Duration(i)*time.Second), "too large", len(body), body)
	}
	body[0] = 'y'
	got, count := r.Take()
	if len(got) != 3 || count != 5 {
		t.Fatalf("%d kept of %d", len(got), count)
	}
	r.Add("b", at, "too large", len(body), body)
	if again, count := r.Take(); len(again) != 1 || count != 1 || again[0].Topic != "b" {
		t.Errorf("taken again: %d of %d", len(again), count)
	}
	for i, u := range got {
		if want := at.Add(time.Duration(i+2) * time.Second); !u.Time.Equal(want) || u.Size != 1000 || len(u.Head) != headBytes || u.Head[0] != 'x' {
			t.Errorf("entry %d: %v, size %d, head %q", i, u.Time, u.Size, u.Head[:1])
		}
	}
}
