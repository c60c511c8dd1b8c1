// Package metrics shows the facility to Prometheus. One collector reads the
// snapshot once per scrape and emits constant metrics from it, so nothing can
// be left over from an earlier state: a sensor that falls silent and a room
// that goes blind lose their value series, while the time of the last reading
// stays and can be alerted on.
//
// No sample carries a timestamp of its own, because Prometheus cannot tell
// that a series has gone when it does.
package metrics

import (
	"net/http"
	"runtime"

	"rearguard/daemon/snapshot"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Collector exposes the facility of a Source.
type Collector struct {
	source  snapshot.Source
	version string
}

// New returns a collector. Version is that of the program.
func New(source snapshot.Source, version string) *Collector {
	return &Collector{source: source, version: version}
}

// Handler serves the facility's metrics with those of the process and of the
// Go runtime, from a registry of its own.
func Handler(source snapshot.Source, version string) http.Handler {
	registry := prometheus.NewRegistry()
	registry.MustRegister(
		New(source, version),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		EnableOpenMetrics:   true,
		MaxRequestsInFlight: 4,
	})
}

// Describe sends nothing: which series exist depends on the facility, so the
// collector is an unchecked one.
func (c *Collector) Describe(chan<- *prometheus.Desc) {}

// Collect sends every series of the newest snapshot; of a daemon that has none
// yet, its build information only.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	e := &emitter{ch: ch, seen: map[string]bool{}}
	e.gauge(buildInfo, 1, c.version, runtime.Version())
	s := c.source.Snapshot()
	if s == nil {
		return
	}
	e.facility(s)
	for i := range s.Rooms {
		e.room(&s.Rooms[i])
	}
	for i := range s.Sensors {
		e.sensor(&s.Sensors[i])
	}
	for i := range s.Cohorts {
		e.cohort(&s.Cohorts[i])
	}
	e.alarms(s)
	e.totals(s)
}
