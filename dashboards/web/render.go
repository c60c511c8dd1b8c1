package web

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
)

// view is what every page and each of its sections is made from.
type view struct {
	S   *daemon.Snapshot
	Loc *time.Location
	// Who is the name the visitor gave, empty before.
	Who string
	// Path is the page's own address, to come back to after a form.
	Path string
	// Silence is how long the engine has published nothing, zero while it is
	// well.
	Silence time.Duration
	// Form holds what the visitor entered when it could not be taken.
	Form url.Values
	// Problem says why, Field where.
	Problem, Field string
	// Data is the page's own model.
	Data any
}

// pageSpec is one page: a title and its sections, each a template.
type pageSpec struct {
	Title    string
	Sections []sectionSpec
	Data     any
}

// sectionSpec is a part of a page. A live section is replaced in open pages
// when it changes; forms are not live, so that nothing typed is lost.
type sectionSpec struct {
	ID   string
	Live bool
}

// builder makes a page from a snapshot.
type builder func(v *view, r *http.Request) (pageSpec, error)

// rendered is a section ready for the layout.
type rendered struct {
	ID   string
	Live bool
	HTML template.HTML
}

type layout struct {
	*view
	Title    string
	Sections []rendered
	Stream   string
	Done     string
	Refresh  bool
}

func (s *Site) newView(r *http.Request) (*view, bool) {
	snapshot := s.facility.Snapshot()
	if snapshot == nil {
		return nil, false
	}
	v := &view{S: snapshot, Loc: snapshot.Location, Who: whoCookie(r), Path: r.URL.Path, Form: url.Values{}}
	if v.Loc == nil {
		v.Loc = time.UTC
	}
	if quiet := s.pulse.silence(snapshot, s.options.Now(), s.options.Wall()); quiet >= stalledAfter {
		v.Silence = quiet
	}
	return v, true
}

// page serves a page made by build.
func (s *Site) page(build builder) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, ok := s.newView(r)
		if !ok {
			s.starting(w, r)
			return
		}
		s.show(w, r, v, build, http.StatusOK)
	}
}

func (s *Site) show(w http.ResponseWriter, r *http.Request, v *view, build builder, status int) {
	spec, err := build(v, r)
	if err != nil {
		s.problem(w, r, v, err)
		return
	}
	sections, err := s.sections(v, spec, false)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	l := layout{
		view: v, Title: spec.Title, Sections: sections, Done: doneText(r.URL.Query().Get("done")),
		Stream: "/live?page=" + url.QueryEscape(v.Path), Refresh: true,
	}
	for _, sec := range spec.Sections {
		// Reloading by itself would wipe a half-filled form.
		l.Refresh = l.Refresh && sec.Live
	}
	s.write(w, r, "layout", l, status)
}

// sections renders the page's sections, all or the live ones only.
func (s *Site) sections(v *view, spec pageSpec, liveOnly bool) ([]rendered, error) {
	v.Data = spec.Data
	specs := append([]sectionSpec{{ID: "status", Live: true}}, spec.Sections...)
	out := make([]rendered, 0, len(specs))
	for _, sec := range specs {
		if liveOnly && !sec.Live {
			continue
		}
		var b bytes.Buffer
		if err := s.templates.ExecuteTemplate(&b, sec.ID, v); err != nil {
			return nil, fmt.Errorf("render section %s of %s: %w", sec.ID, v.Path, err)
		}
		out = append(out, rendered{sec.ID, sec.Live, template.HTML(b.String())}) //nolint:gosec // output of html/template
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
	if err != nil {
		return nil, fmt.Errorf("compress page: %w", err)
	}
	if _, err := z.Write(body); err != nil {
		return nil, fmt.Errorf("compress page: %w", err)
	}
	if err := z.Close(); err != nil {
		return nil, fmt.Errorf("compress page: %w", err)
	}
	return b.Bytes(), nil
}

// fail answers a fault of our own.
func (s *Site) fail(w http.ResponseWriter, r *http.Request, err error) {
	s.options.Log.Error("page failed", "path", r.URL.Path, "error", err)
	http.Error(w, "This page could not be made. The log of rearguard says why; the alarms go on working.", http.StatusInternalServerError)
}

type message struct {
	*view
	Title, Text, Back string
}

// problem answers something the visitor can mend.
func (s *Site) problem(w http.ResponseWriter, r *http.Request, v *view, err error) {
	status, title := http.StatusUnprocessableEntity, "This could not be taken"
	switch {
	case errors.Is(err, entry.ErrUnknown):
		status, title = http.StatusNotFound, "Not found"
	case errors.Is(err, errNoAnswer), errors.Is(err, daemon.ErrStopped):
		status, title = http.StatusServiceUnavailable, "Not stored"
	}
	back := localPath(r.PostForm.Get("back"), "/")
	s.write(w, r, "message", message{v, title, sentence(err.Error()), back}, status)
}

func (s *Site) notFound(w http.ResponseWriter, r *http.Request) {
	v, ok := s.newView(r)
	if !ok {
		s.starting(w, r)
		return
	}
	s.write(w, r, "message", message{v, "Not found", "There is no page at this address.", "/"}, http.StatusNotFound)
}

func (s *Site) starting(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Retry-After", "2")
	v := &view{S: &daemon.Snapshot{}, Loc: time.UTC}
	s.write(w, r, "message", message{v, "Starting", "rearguard is reading its records. Try again in a few seconds.", "/"}, http.StatusServiceUnavailable)
}

// localPath returns path if it is an address on this site, or the fallback.
func localPath(path, fallback string) string {
	if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.ContainsAny(path, "\\\r\n") {
		return fallback
	}
	return path
}

// sentence makes an error a sentence.
func sentence(s string) string {
	s = strings.TrimPrefix(s, daemon.ErrRefused.Error()+": ")
	if s == "" {
		return s
	}
	return capital(s) + "."
}

// capital makes the first letter a capital one.
func capital(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[size:]
}

// functions are what the templates may call.
func functions(version string) template.FuncMap {
	return template.FuncMap{
		"asset":   func(name string) string { return "/static/" + name + "?v=" + version },
		"q":       quantity,
		"num":     func(v float64, unit string) string { return withUnit(number(v, unit), unit) },
		"age":     age,
		"clock":   clock,
		"window":  window,
		"span":    span,
		"percent": percent,
		"plural":  plural,
		"bar":     bar,
		"event":   eventName,
		"qname":   quantityName,
		"iso":     func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
		"until":   func(now, t time.Time) time.Duration { return t.Sub(now) },
		"reading": func(r sensors.Reading) string { return withUnit(number(r.Value, r.Quantity.Unit()), r.Quantity.Unit()) },
		"whole":   grouped,
		"words":   func(c alerts.Condition) string { return strings.ReplaceAll(string(c), "_", " ") },
		"deref":   func(v *float64) float64 { return *v },
		"path":    url.PathEscape,
		"token":   newToken,
		"dict": func(pairs ...any) map[string]any {
			m := make(map[string]any, len(pairs)/2)
			for i := 0; i+1 < len(pairs); i += 2 {
				if name, ok := pairs[i].(string); ok {
					m[name] = pairs[i+1]
				}
			}
			return m
		},
		"animals": animals,
		"signed":  func(share float64) string { return fmt.Sprintf("%+.1f %%", 100*share) },
		"day":     day,
		"int":     func(v float64) int { return int(v + 0.5) },
	}
}
