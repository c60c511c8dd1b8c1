package alarming

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/facility"
	"rearguard/sensors"
)

// BenchmarkObserve is what a finding about a room that is too hot costs while
// other rooms are.
func BenchmarkObserve(b *testing.B) {
	for _, rooms := range []int{1, 100, 1000} {
		b.Run(fmt.Sprint(rooms), func(b *testing.B) {
			var config strings.Builder
			config.WriteString("facility: {name: Storm}\nbroker: {address: \"tcp://127.0.0.1\", client_id: storm}\nrooms:\n")
			for i := range rooms {
				fmt.Fprintf(&config, "  - {id: r%d}\n", i)
			}
			f, err := facility.Parse("storm.yaml", []byte(config.String()))
			if err != nil {
				b.Fatal(err)
			}
			a, err := New(f, false)
			if err != nil {
				b.Fatal(err)
			}
			at := time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)
			hot := func(room int) {
				at = at.Add(time.Millisecond)
				err := a.Observe(alerts.Observation{
					Key: alerts.Key{Condition: "heat", Room: sensors.RoomID(fmt.Sprintf("r%d", room))}, Time: at, Truth: alerts.True, Value: 36, Limit: 30, Unit: "°C",
				})
				if err != nil {
					b.Fatal(err)
				}
			}
			for i := range rooms {
				hot(i)
			}
			at = at.Add(10 * time.Minute)
			began := time.Now()
			for i := range rooms {
				hot(i)
			}
			if open, _ := a.Incidents(); len(open) != rooms {
				b.Fatalf("%d incidents of %d rooms", len(open), rooms)
			}
			raise := float64(time.Since(began).Microseconds()) / float64(rooms)
			n := 0
			for b.Loop() {
				hot(n % rooms)
				n++
			}
			b.ReportMetric(raise, "µs/raise")
		})
	}
}
