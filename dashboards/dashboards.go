// Package dashboards wires everything people and other systems see: the
// pages, the HTTP API, the metrics, the calendar and the health checks. It
// reads snapshots and sends commands, and owns no state of the facility.
package dashboards

import (
	"fmt"
	"net/http"
	"time"

	"rearguard/dashboards/api"
	"rearguard/dashboards/calendar"
	"rearguard/dashboards/metrics"
	"rearguard/dashboards/web"
)

// Facility is what the dashboards need of the engine.
type Facility = web.Facility

// Handler serves all routes of the facility. Close it (see Server) before a
// shutdown, since open pages hold their connections.
func Handler(f Facility, version string, options web.Options) (*Routes, error) {
	site, err := web.New(f, options)
	if err != nil {
		return nil, fmt.Errorf("set up the pages: %w", err)
	}
	rest, err := api.New(f, version, options.People)
	if err != nil {
		return nil, fmt.Errorf("set up the HTTP API: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("/", site)
	mux.Handle("/api/v1/", rest)
	if options.Peer != nil {
		mux.Handle("POST /api/v1/peers/{site}/beat", api.Beats(options.Peer))
	}
	for path, read := range map[string]http.Handler{
		"/healthz": api.Healthy(options.Progress), "/readyz": api.Ready(f, options.Progress),
		"/metrics": metrics.Handler(f, version), "/calendar.ics": calendar.New(f),
	} {
		mux.Handle("GET "+path, read)
		mux.HandleFunc(path, onlyRead)
	}
	return &Routes{Handler: web.Protect(mux, options.Access), site: site}, nil
}

func onlyRead(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Allow", "GET, HEAD")
	http.Error(w, "This address can only be read.", http.StatusMethodNotAllowed)
}

// Routes is the handler of the whole server.
type Routes struct {
	http.Handler
	site *web.Site
}

// Close ends the streams to open pages.
func (r *Routes) Close() { r.site.Close() }

// Server returns a server for the facility with timeouts that suit phones on
// a poor network, and that ends open streams when it is shut down. The caller
// listens and serves.
func Server(f Facility, version string, options web.Options) (*http.Server, error) {
	routes, err := Handler(f, version, options)
	if err != nil {
		return nil, err
	}
	server := &http.Server{
		Handler:           routes,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second,
		// Streams set a deadline of their own for each event.
		WriteTimeout:   60 * time.Second,
		IdleTimeout:    2 * time.Minute,
		MaxHeaderBytes: 32 << 10,
	}
	server.RegisterOnShutdown(routes.Close)
	return server, nil
}
