package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// update is what an open page receives: the sections that changed, by id.
type update struct {
	Sections map[string]string `json:"sections"`
}

// live keeps an open page up to date. It sends every live section once, since
// the page may be older than the connection, and after that the ones that
// changed; a beat in between tells the page that the link is alive.
func (s *Site) live(w http.ResponseWriter, r *http.Request) {
	build, inner, ok := s.resolve(r)
	if !ok {
		http.Error(w, "there is no such page to keep up to date", http.StatusNotFound)
		return
	}
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
		if err := s.push(w, out, inner, build, sent); err != nil {
			s.options.Log.Debug("live page ended", "page", inner.URL.Path, "error", err)
			return
		}
		if !s.pause(r, changed) {
			return
		}
	}
}

// pause waits for a new snapshot or the next beat, at the page's pace. It
// returns false when the page or the server has gone.
func (s *Site) pause(r *http.Request, changed <-chan struct{}) bool {
	pace := time.NewTimer(s.options.Pace)
	defer pace.Stop()
	select {
	case <-pace.C:
	case <-r.Context().Done():
		return false
	case <-s.stop:
		return false
	}
	beat := time.NewTimer(s.options.Beat)
	defer beat.Stop()
	select {
	case <-changed:
	case <-beat.C:
	case <-r.Context().Done():
		return false
	case <-s.stop:
		return false
	}
	return true
}

// push sends what changed since the last push, or a beat when nothing did.
func (s *Site) push(w http.ResponseWriter, out *http.ResponseController, inner *http.Request, build builder, sent *thinner) error {
	changed := map[string]string{}
	if v, ok := s.newView(inner); ok {
		spec, err := build(v, inner)
		if err != nil {
			// The room, sensor or cohort is gone: a reload tells the visitor.
			return s.event(w, out, "gone", "{}")
		}
		sections, err := s.sections(v, spec, true)
		if err != nil {
			return err
		}
		for _, sec := range sections {
			if html, ok := sent.section(sec.ID, string(sec.HTML)); ok {
				changed[sec.ID] = html
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

// resolve finds the page that a stream belongs to and a request for it.
func (s *Site) resolve(r *http.Request) (builder, *http.Request, bool) {
	target, err := url.Parse(localPath(r.URL.Query().Get("page"), ""))
	if err != nil || target.Path == "" {
		return nil, nil, false
	}
	inner := r.Clone(r.Context())
	inner.URL = target
	if build, ok := technicianPart(target.Path, inner); ok {
		return build, inner, true
	}
	if build, ok := alarmPart(target.Path); ok {
		return build, inner, true
	}
	switch target.Path {
	case "/":
		return overviewPage, inner, true
	case "/alarms":
		return alarmsPage, inner, true
	case "/learning":
		return learningPage, inner, true
	case "/plan":
		return planPage, inner, true
	case "/messages":
		return messagesPage, inner, true
	case "/cohorts/new":
		return newCohortPage, inner, true
	case "/who":
		return whoPage, inner, true
	}
	for _, c := range []struct {
		prefix string
		build  builder
	}{{"/rooms/", roomPage}, {"/sensors/", sensorPage}, {"/cohorts/", cohortPage}, {"/learning/", learnedSpeciesPage}} {
		if id, ok := strings.CutPrefix(target.Path, c.prefix); ok && id != "" {
			// A form that was refused shows its page at its own address, one
			// level further down.
			id, _, _ = strings.Cut(id, "/")
			inner.SetPathValue("id", id)
			return c.build, inner, true
		}
	}
	return nil, nil, false
}
