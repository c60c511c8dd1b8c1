package fold

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/species/speciestest"
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

// BenchmarkFold is the fold alone, without broker and disk: 500
// sensors that report every 30 s, a message of three values each.
func BenchmarkFold(b *testing.B) {
	f, err := New(Options{Facility: largeFacility(b), Catalog: speciestest.Library(b), Logger: slog.New(slog.DiscardHandler)}, &past.Memory{})
	if err != nil {
		b.Fatal(err)
	}
	if err := f.Resume(b.Context(), testStart); err != nil {
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
		f.Admit(sensors.Message{Topic: topics[s], Payload: body, Received: at})
		if s%100 != 99 {
			continue
		}
		if err := f.Handle(b.Context()); err != nil {
			b.Fatal(err)
		}
		if _, err := f.TakeBatch(); err != nil {
			b.Fatal(err)
		}
	}
}
