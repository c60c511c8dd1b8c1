package dashboards_test

import (
	"bufio"
	"context"
	"encoding/json"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"rearguard/dashboards"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
)

// serve starts the real server with its times to read a request and to write
// an answer set to limit.
func serve(t testing.TB, f dashboards.Facility, limit time.Duration) (base string, stop func() error) {
	t.Helper()
	server, err := dashboards.Server(f, "1.2.3", web.Options{Now: dashtest.Now, Wall: dashtest.Now, Pace: time.Millisecond, Beat: 20 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	server.ReadTimeout = limit
	server.WriteTimeout = limit
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	t.Cleanup(func() {
		if err := server.Close(); err != nil {
			t.Error(err)
		}
		<-done
	})
	return "http://" + listener.Addr().String(), func() error {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		return server.Shutdown(ctx)
	}
}

func TestRoutes(t *testing.T) {
	base, _ := serve(t, dashtest.New(dashtest.Sample()), 30*time.Second)
	for path, want := range map[string]struct {
		status int
		kind   string
	}{
		"/": {200, "text/html"}, "/alarms": {200, "text/html"}, "/api/v1/rooms": {200, "application/json"},
		"/api/v1/openapi.json": {200, "application/json"}, "/api/v1/none": {404, "application/problem+json"},
		"/healthz": {200, "application/json"}, "/readyz": {200, "application/json"}, "/metrics": {200, "text/plain"},
		"/calendar.ics": {200, "text/calendar"}, "/static/style.css": {200, "text/css"}, "/none": {404, "text/html"},
	} {
		response, err := http.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		response.Body.Close()
		if response.StatusCode != want.status || !strings.HasPrefix(response.Header.Get("Content-Type"), want.kind) {
			t.Errorf("%s: status %d, type %s", path, response.StatusCode, response.Header.Get("Content-Type"))
		}
		if response.Header.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s is not protected", path)
		}
	}
}

// TestStream follows an open page for several times the server's read and
// write time, sees a change arrive, and sees a shutdown end it.
func TestStream(t *testing.T) {
	f := dashtest.New(dashtest.Sample())
	base, stop := serve(t, f, 100*time.Millisecond)
	response, err := http.Get(base + "/live?page=%2Frooms%2Fglasshouse")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	if response.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("status %d, type %s", response.StatusCode, response.Header.Get("Content-Type"))
	}
	lines := bufio.NewScanner(response.Body)
	lines.Buffer(nil, 1<<20)
	next := func() (event string, sections map[string]string) {
		t.Helper()
		for lines.Scan() {
			if name, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				event = name
			}
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				var u struct{ Sections map[string]string }
				if err := json.Unmarshal([]byte(data), &u); err != nil {
					t.Fatalf("event %s: %v", data, err)
				}
				return event, u.Sections
			}
		}
		t.Fatalf("the stream ended: %v", lines.Err())
		return "", nil
	}
	if event, sections := next(); event != "update" || !strings.Contains(sections["room"], "26.1") || sections["status"] == "" {
		t.Fatalf("first event %s with %d sections", event, len(sections))
	}
	// Fifteen beats of 20 ms outlast the 100 ms the server grants a request.
	for range 15 {
		if event, _ := next(); event != "beat" {
			t.Fatalf("event %s without a change", event)
		}
	}
	s := dashtest.Sample()
	*s.Rooms[1].Temperature = 29.4
	f.Publish(s)
	for {
		event, sections := next()
		if event == "beat" {
			continue
		}
		if !strings.Contains(sections["room"], "29.4") {
			t.Errorf("event %s lacks the new temperature", event)
		}
		if _, ok := sections["status"]; ok {
			t.Error("the status was sent again though it did not change")
		}
		break
	}
	if err := stop(); err != nil {
		t.Errorf("shutdown was held up by the open page: %v", err)
	}
}

func TestStreamLimit(t *testing.T) {
	site, err := dashboards.Handler(dashtest.New(dashtest.Sample()), "1", web.Options{MaxStreams: 1})
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: site, ReadHeaderTimeout: time.Second}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	defer func() { site.Close(); server.Close(); <-done }()
	first, err := http.Get("http://" + listener.Addr().String() + "/live?page=/")
	if err != nil {
		t.Fatal(err)
	}
	defer first.Body.Close()
	second, err := http.Get("http://" + listener.Addr().String() + "/live?page=/")
	if err != nil {
		t.Fatal(err)
	}
	defer second.Body.Close()
	if first.StatusCode != http.StatusOK || second.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("status %d and %d, want 200 and 503", first.StatusCode, second.StatusCode)
	}
}
