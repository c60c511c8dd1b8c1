package daemon

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// largeFacility has 500 sensors in 100 rooms.
func largeFacility(tb testing.TB) *facility.Facility {
	tb.Helper()
	var b strings.Builder
	b.WriteString("facility: {name: Large, timezone: UTC}\nbroker: {address: \"tcp://127.0.0.1:1883\", client_id: test}\nrooms:\n")
	for r := range 100 {
		fmt.Fprintf(&b, "  - {id: room-%d}\n", r)
	}
	b.WriteString("sensors:\n")
	for s := range 500 {
		fmt.Fprintf(&b, "  - {id: s-%d, room: room-%d, interval: 30s, inputs: [{topic: t/%d, format: json, time: {at: /ts, unit: s}, values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: \"%%\"}, {quantity: battery, at: /b, unit: \"%%\"}]}]}\n", s, s/5, s)
	}
	f, err := facility.Parse("large.yaml", []byte(b.String()))
	if err != nil {
		tb.Fatal(err)
	}
	return f
}

// BenchmarkFold is the engine's fold alone, without broker and disk: 500
// sensors that report every 30 s, a message of three values each.
func BenchmarkFold(b *testing.B) {
	catalog, err := rearing.Library()
	if err != nil {
		b.Fatal(err)
	}
	c, err := newCore(coreOptions{facility: largeFacility(b), catalog: catalog, logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	c.history = &memory{}
	if err := c.journal(resumeEvent{At: testStart}); err != nil {
		b.Fatal(err)
	}
	topics := make([]string, 500)
	for s := range topics {
		topics[s] = fmt.Sprintf("t/%d", s)
	}
	b.ReportAllocs()
	b.ResetTimer()
	for n := range b.N {
		s, round := n%500, n/500
		at := testStart.Add(time.Duration(round)*30*time.Second + time.Duration(s)*50*time.Millisecond)
		wobble := float64((n*7919)%13) / 100
		body := fmt.Appendf(nil, `{"ts":%d,"t":%.2f,"h":%.1f,"b":%d}`, at.Unix(), 24+wobble, 70+10*wobble, 90)
		c.admit(sensors.Message{Topic: topics[s], Payload: body, Received: at})
		if s%100 != 99 {
			continue
		}
		if err := c.handlePending(); err != nil {
			b.Fatal(err)
		}
		if _, err := c.takeBatch(); err != nil {
			b.Fatal(err)
		}
	}
}
