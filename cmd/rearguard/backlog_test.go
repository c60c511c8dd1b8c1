package main

import (
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"rearguard/dashboards/api"
	"rearguard/sensors/broker/brokertest"
)

// A daemon is killed while a sensor without a clock reports; what the broker
// kept meanwhile is stored and not taken for the present, and what it delivers
// again is stored once.
func TestBacklogAfterAKillIsNotThePresent(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	s := newSite(t, m.Port, "")
	s.run()
	s.awaitReady()
	c := client(t, m.URL())
	sent := 0
	send := func(n int, celsius float64) {
		t.Helper()
		for range n {
			publish(t, c, "bad/temperature", fmt.Appendf(nil, "%.3f", celsius+float64(sent)/1000))
			sent++
		}
	}
	kept := func(what string) {
		t.Helper()
		eventually(t, what, time.Minute, func() bool {
			_, plain := s.stored()
			return len(plain) >= sent
		})
		_, plain := s.stored()
		seen := make(map[float64]bool)
		for _, v := range plain {
			seen[v] = true
		}
		if len(plain) != sent || len(seen) != sent {
			t.Errorf("%s: %d messages are %d readings of %d values", what, sent, len(plain), len(seen))
		}
	}
	send(50, 24)
	s.end(syscall.SIGKILL)
	send(300, 36)
	s.start()
	s.awaitReady()
	kept("the backlog")
	var room struct {
		Blind       bool
		Temperature *float64 `json:"temperature_celsius"`
	}
	if !s.get("/api/v1/rooms/nursery", &room) {
		t.Fatal("no room")
	}
	if room.Temperature != nil && *room.Temperature > 30 {
		t.Errorf("the backlog is taken for the present: %g °C", *room.Temperature)
	}
	var sensor api.Sensor
	if !s.get("/api/v1/sensors/plain", &sensor) {
		t.Fatal("no sensor")
	}
	if len(sensor.Findings) != 1 || !strings.Contains(sensor.Findings[0].Text, "waited at the broker") {
		t.Errorf("findings %+v", sensor.Findings)
	}
	eventually(t, "the present", time.Minute, func() bool {
		send(1, 25)
		return s.get("/api/v1/rooms/nursery", &room) && room.Temperature != nil && *room.Temperature > 25 && *room.Temperature < 26
	})
	kept("the present")
}
