package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"rearguard/dashboards/web/page"
)

// update is what an open page receives: the sections that changed, by id.
type update struct {
	Sections map[string]string `json:"sections"`
}

// openStream finds the page that a stream belongs to.
func (s *Site) openStream(w http.ResponseWriter, r *http.Request) {
	target, err := url.Parse(page.LocalPath(r.URL.Query().Get("page"), ""))
	if err != nil || target.Path == "" {
		noStream(w, r)
		return
	}
	inner := r.Clone(r.Context())
	inner.URL = target
	s.live.ServeHTTP(w, inner)
}

func noStream(w http.ResponseWriter, _ *http.Request) {
	http.Error(w, "there is no such page to keep up to date", http.StatusNotFound)
}

// stream keeps an open page up to date. It sends every live section once,
// since the page may be older than the connection, and after that the ones
// that changed; a beat in between tells the page that the link is alive.
func (s *Site) stream(p page.Page) http.HandlerFunc {
	p.Sections = slices.DeleteFunc(slices.Clone(p.Sections), func(sec page.Section) bool { return !sec.Live })
	if len(p.Sections) == 0 {
		// Only what every page has is kept up to date.
		p.Build = page.Plain("")
	}
	return func(w http.ResponseWriter, r *http.Request) {
		select {
		case s.streams <- struct{}{}:
			defer func() { <-s.streams }()
		default:
			w.Header().Set("Retry-After", "30")
			http.Error(w, "too many open pages; this one does not update by itself", http.StatusServiceUnavailable)
			return
		}
		h := w.Header()
		h.Set("Content-Type", "text/event-stream")
		h.Set("Cache-Control", "no-store")
		h.Set("X-Accel-Buffering", "no")
		out := http.NewResponseController(w)
		// The server's time to read a request would otherwise end the stream.
		if err := out.SetReadDeadline(time.Time{}); err != nil {
			s.options.Log.Debug("no read deadline on this connection", "error", err)
		}
		sent := newThinner()
		for {
			changed := s.facility.Changed()
			if err := s.push(w, out, r, p, sent); err != nil {
				s.options.Log.Debug("live page ended", "page", r.URL.Path, "error", err)
				return
			}
			if !s.pause(r, changed) {
				return
			}
		}
	}
}

// pause waits for a new snapshot or the next beat, at the page's pace. It
// returns false when the page or the server has gone.
func (s *Site) pause(r *http.Request, changed <-chan struct{}) bool {
	return s.wait(r, s.options.Pace, nil) && s.wait(r, s.options.Beat, changed)
}

// wait waits for the time to pass or something to happen. It returns false
// when the page or the server has gone.
func (s *Site) wait(r *http.Request, most time.Duration, happens <-chan struct{}) bool {
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-happens:
		return true
	case <-r.Context().Done():
		return false
	case <-s.stop:
		return false
	}
}

// push sends what changed since the last push, or a beat when nothing did.
func (s *Site) push(w http.ResponseWriter, out *http.ResponseController, r *http.Request, p page.Page, sent *thinner) error {
	changed := map[string]string{}
	if v, ok := s.newView(r); ok {
		sections, err := s.prepare(v, r, p)
		if errors.Is(err, errGone) {
			// The room, sensor or cohort is gone: a reload tells the visitor.
			return s.event(w, out, "gone", "{}")
		}
		if err != nil {
			return err
		}
		for _, one := range sections {
			if html, ok := sent.section(one); ok {
				changed[one.id] = html
			}
		}
	}
	if len(changed) == 0 {
		return s.event(w, out, "beat", "{}")
	}
	data, err := json.Marshal(update{changed})
	if err != nil {
		return fmt.Errorf("encode update: %w", err)
	}
	return s.event(w, out, "update", string(data))
}

// event writes one server-sent event. JSON has no line breaks, so one data
// line is enough. Each event has its own deadline, in place of the server's.
func (s *Site) event(w http.ResponseWriter, out *http.ResponseController, name, data string) error {
	deadline := time.Now().Add(15 * time.Second) //nolint:forbidigo // sockets count wall time
	if err := out.SetWriteDeadline(deadline); err != nil {
		s.options.Log.Debug("no write deadline on this connection", "error", err)
	}
	if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", name, data); err != nil {
		return fmt.Errorf("send event: %w", err)
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("send event: %w", err)
	}
	return nil
}
