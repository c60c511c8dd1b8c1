package web

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/alarms"
	"rearguard/dashboards/web/chart"
	"rearguard/dashboards/web/cohorts"
	"rearguard/dashboards/web/forms"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
)

// rendered is a section ready for the layout.
type rendered struct {
	page.Section
	HTML template.HTML
}

type layout struct {
	*page.View
	Title    string
	Sections []rendered
	Stream   string
	Done     string
	// RefreshSeconds is how often to load the page again without JavaScript, 0
	// for never.
	RefreshSeconds int
}

func (s *Site) newView(r *http.Request) (*page.View, bool) {
	snapshot := s.facility.Snapshot()
	if snapshot == nil {
		return nil, false
	}
	v := &page.View{S: snapshot, Loc: snapshot.Location, Who: whoCookie(r), Path: r.URL.Path, Form: url.Values{}, PushKey: s.phones.Key()}
	if v.Loc == nil {
		v.Loc = time.UTC
	}
	if quiet := s.pulse.silence(snapshot, s.options.Now(), s.options.Wall()); quiet >= stalledAfter {
		v.Silence = quiet
	}
	standing := alarms.All(v)
	v.Urgent, v.Announce = standing.Urgent, announce(v, standing.Announce)
	return v, true
}

// announce joins what a screen reader says. The banners are not announced by
// themselves, since they are renewed with every update of the page.
func announce(v *page.View, waiting string) string {
	var words []string
	if v.Silence > 0 {
		words = append(words, "rearguard has stopped publishing.")
	}
	if !v.S.Broker.Connected || !v.S.Broker.Subscribed {
		words = append(words, "No readings arrive from the broker.")
	}
	if !v.S.Store.OK {
		words = append(words, "Records cannot be written.")
	}
	if waiting != "" {
		words = append(words, "Alarm: "+waiting+".")
	}
	return strings.Join(words, " ")
}

// page serves a page.
func (s *Site) page(p page.Page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if v, ok := s.viewFor(w, r); ok {
			s.show(w, r, v, p, http.StatusOK)
		}
	}
}

func (s *Site) show(w http.ResponseWriter, r *http.Request, v *page.View, p page.Page, status int) {
	reading, done := context.WithTimeout(r.Context(), s.options.Patience)
	content, err := p.Build(v, r.WithContext(reading))
	done()
	if err != nil {
		s.problem(w, r, v, err)
		return
	}
	if v.Problem == "" && content.RefreshSeconds == 0 && !slices.ContainsFunc(p.Sections, func(sec page.Section) bool { return !sec.Live }) {
		// Reloading by itself would wipe a half-filled form.
		content.RefreshSeconds = 60
	}
	sections, err := s.sections(v, p.Sections, content)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.write(w, r, "layout", layout{
		View: v, Title: content.Title, Sections: sections, Done: doneText(r.URL.Query()),
		Stream:         "/live?page=" + url.QueryEscape(v.Path),
		RefreshSeconds: content.RefreshSeconds,
	}, status)
}

// sections renders sections of a page and before them what every page has.
func (s *Site) sections(v *page.View, sections []page.Section, content page.Content) ([]rendered, error) {
	v.Data = content.Data
	out := make([]rendered, 0, 1+len(sections))
	for _, sec := range append([]page.Section{page.Live("status")}, sections...) {
		var b bytes.Buffer
		if err := s.templates.ExecuteTemplate(&b, sec.ID, v); err != nil {
			return nil, fmt.Errorf("render section %s of %s: %w", sec.ID, v.Path, err)
		}
		out = append(out, rendered{sec, template.HTML(b.String())}) //nolint:gosec // output of html/template
	}
	return out, nil
}

func (s *Site) write(w http.ResponseWriter, r *http.Request, name string, data any, status int) {
	var b bytes.Buffer
	if err := s.templates.ExecuteTemplate(&b, name, data); err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Vary", "Accept-Encoding, Cookie")
	body := b.Bytes()
	if acceptsGzip(r) {
		// Pages are repetitive and phones are far from the access point.
		if packed, err := packGzip(body); err == nil {
			body = packed
			h.Set("Content-Encoding", "gzip")
		}
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if _, err := w.Write(body); err != nil {
		s.options.Log.Debug("page not delivered", "path", r.URL.Path, "error", err)
	}
}

// acceptsGzip reports whether the browser names gzip without refusing it.
func acceptsGzip(r *http.Request) bool {
	for coding := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(coding), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			return strings.ReplaceAll(q, " ", "") != "q=0"
		}
	}
	return false
}

func packGzip(body []byte) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	if err == nil {
		_, err = z.Write(body)
	}
	if err == nil {
		err = z.Close()
	}
	return b.Bytes(), err
}

// fail answers a fault of our own.
func (s *Site) fail(w http.ResponseWriter, r *http.Request, err error) {
	s.options.Log.Error("page failed", "path", r.URL.Path, "error", err)
	http.Error(w, "This page could not be made. The log of rearguard says why; the alarms go on working.", http.StatusInternalServerError)
}

type message struct {
	*page.View
	Title, Text, Back string
}

// problem answers something the visitor can mend.
func (s *Site) problem(w http.ResponseWriter, r *http.Request, v *page.View, err error) {
	status, title := http.StatusUnprocessableEntity, "This could not be taken"
	switch {
	case errors.Is(err, snapshot.ErrUnknown):
		status, title = http.StatusNotFound, "Not found"
	case errors.Is(err, context.DeadlineExceeded):
		w.Header().Set("Retry-After", "60")
		status, title, err = http.StatusServiceUnavailable, "Busy", errBusy
	case errors.Is(err, errNoAnswer), errors.Is(err, daemon.ErrStopped):
		status, title = http.StatusServiceUnavailable, "Not stored"
	}
	back := page.LocalPath(r.PostForm.Get("back"), "/")
	s.write(w, r, "message", message{v, title, page.Sentence(err), back}, status)
}

// errBusy is shown in place of a page whose history could not be read in time.
var errBusy = errors.New("the history could not be read in time, since it is much or many ask for it at once; try again in a minute or ask for less. Alarms are not affected")

func (s *Site) notFound(w http.ResponseWriter, r *http.Request) {
	v, ok := s.viewFor(w, r)
	methods := Allowed(s.mux, r, "/")
	switch {
	case !ok:
	case len(methods) > 0:
		w.Header().Set("Allow", strings.Join(methods, ", "))
		s.write(w, r, "message", message{v, "Not possible", "This address cannot be asked in this way.", "/"}, http.StatusMethodNotAllowed)
	default:
		s.write(w, r, "message", message{v, "Not found", "There is no page at this address.", "/"}, http.StatusNotFound)
	}
}

// viewFor is newView that answers the request itself while the engine is
// starting.
func (s *Site) viewFor(w http.ResponseWriter, r *http.Request) (*page.View, bool) {
	v, ok := s.newView(r)
	if !ok {
		w.Header().Set("Retry-After", "2")
		v = &page.View{S: &snapshot.Snapshot{}, Loc: time.UTC}
		s.write(w, r, "message", message{v, "Starting", "rearguard is reading its records. Try again in a few seconds.", "/"}, http.StatusServiceUnavailable)
	}
	return v, ok
}

// functions are what the templates may call.
func functions(version string) template.FuncMap {
	return template.FuncMap{
		"asset":   func(name string) string { return "/static/" + name + "?v=" + version },
		"q":       format.Optional,
		"num":     format.Value,
		"age":     format.Age,
		"clock":   format.Clock,
		"window":  format.Window,
		"span":    format.Span,
		"percent": format.Percent,
		"plural":  format.Plural,
		"bar":     chart.Bar,
		"event":   format.Event,
		"qname":   format.Quantity,
		"iso":     func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
		"until":   func(now, t time.Time) time.Duration { return t.Sub(now) },
		"reading": func(r sensors.Reading) string { return format.Value(r.Value, r.Quantity.Unit()) },
		"whole":   format.Grouped,
		"words":   func(c alerts.Condition) string { return strings.ReplaceAll(string(c), "_", " ") },
		"deref":   func(v *float64) float64 { return *v },
		"path":    url.PathEscape,
		"token":   forms.NewToken,
		"dict": func(pairs ...any) map[string]any {
			m := make(map[string]any, len(pairs)/2)
			for i := 0; i+1 < len(pairs); i += 2 {
				if name, ok := pairs[i].(string); ok {
					m[name] = pairs[i+1]
				}
			}
			return m
		},
		"animals": cohorts.Animals,
		"signed":  func(share float64) string { return fmt.Sprintf("%+.1f %%", 100*share) },
		"day":     format.Day,
		"int":     func(v float64) int { return int(v + 0.5) },
	}
}
