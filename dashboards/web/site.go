// Package web serves the pages people look at on a phone or a desk. Pages are
// made on the server from one snapshot each, work without JavaScript, and
// with it keep themselves up to date over server-sent events. Nothing is
// loaded from another host.
//
// The pages themselves are made by the packages below this one, one for each
// subject; this one serves them, takes their forms and keeps them up to date.
//
// A page never passes off an old number as fresh: ages are counted on the
// engine's clock, a blind room has no number at all, a stalled engine raises
// a banner, and a browser that loses the link marks every age as unknown.
package web

import (
	"cmp"
	"context"
	"embed"
	"encoding/hex"
	"fmt"
	"hash/fnv"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/progress"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/web/alarms"
	"rearguard/dashboards/web/answer"
	"rearguard/dashboards/web/cohorts"
	"rearguard/dashboards/web/forms"
	"rearguard/dashboards/web/page"
	"rearguard/dashboards/web/people"
	"rearguard/dashboards/web/phones"
	"rearguard/dashboards/web/rooms"
	"rearguard/dashboards/web/technician"
)

// Facility is what the pages need of the engine.
type Facility interface {
	snapshot.Source
	// Do hands a command to the engine and returns once it is stored and
	// visible in the snapshot, or refused.
	Do(ctx context.Context, cmd fold.Command) error
	// Changed returns a channel that is closed when the next snapshot is
	// published. Take it before the snapshot, then none is missed.
	Changed() <-chan struct{}
}

// Options tune a Site; the zero value is right for use.
type Options struct {
	// Now is the clock that the engine's events are stamped by; a live engine
	// whose clock falls behind it is stalled.
	Now func() time.Time
	// Wall is the clock on the wall. It differs from Now in a demo, whose
	// time runs at a speed of its own.
	Wall func() time.Time
	// Pace is the least time between two updates of one open page.
	Pace time.Duration
	// Beat is the longest time between two signs of life to an open page.
	Beat time.Duration
	// MaxStreams bounds the pages kept up to date at once.
	MaxStreams int
	// Patience is how long a page may wait for the history it shows.
	Patience time.Duration
	// Access says who may speak to the server.
	Access Access
	// History gives the stored readings; nil where there is no history.
	History technician.History
	// Configuration tells how the configuration came into force; nil where no
	// file can be read again.
	Configuration func() technician.Configuration
	// Alarms answer how the alarms have done; nil where there are no records.
	Alarms alarms.Records
	// Phones are those that subscribe to messages; nil where none can.
	Phones phones.Phones
	// People are those who can be told; nil where nobody can.
	People people.People
	// Links are those in notices; nil where there are none.
	Links answer.Links
	// Progress tells how the stages of the way from a reading to a person stand;
	// nil where there is no engine.
	Progress func() []progress.State
	// Peer takes the beat of another site in; nil where no other is watched.
	Peer func(site string, header http.Header, body []byte) error
	Log  *slog.Logger
}

// Site serves the pages.
type Site struct {
	facility  Facility
	options   Options
	templates *template.Template
	static    http.Handler
	mux       *http.ServeMux
	// live serves the streams of open pages, at the addresses of the pages.
	live     *http.ServeMux
	streams  chan struct{}
	shared   shared
	pulse    pulse
	alarms   *alarms.Desk
	answers  *answer.Desk
	people   *people.Desk
	phones   *phones.Desk
	once     forms.Tokens
	stop     chan struct{}
	stopping sync.Once
}

//go:embed templates static
var files embed.FS

// New returns the pages of the facility.
func New(facility Facility, options Options) (*Site, error) {
	if options.Now == nil {
		options.Now = time.Now //nolint:forbidigo // the outermost layer: notices a stalled engine
	}
	if options.Wall == nil {
		options.Wall = time.Now //nolint:forbidigo // the outermost layer: notices a stalled engine
	}
	options.Pace = cmp.Or(options.Pace, 2*time.Second)
	options.Beat = cmp.Or(options.Beat, 10*time.Second)
	options.MaxStreams = cmp.Or(options.MaxStreams, 256)
	options.Patience = cmp.Or(options.Patience, 20*time.Second)
	options.Log = cmp.Or(options.Log, slog.New(slog.DiscardHandler))
	static, err := fs.Sub(files, "static")
	if err != nil {
		return nil, fmt.Errorf("open the built-in assets: %w", err)
	}
	version, err := assetVersion(static)
	if err != nil {
		return nil, err
	}
	templates, err := template.New("").Funcs(functions(version)).ParseFS(files, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("parse the page templates: %w", err)
	}
	s := &Site{
		facility: facility, options: options, templates: templates,
		static:  http.StripPrefix("/static/", http.FileServerFS(static)),
		mux:     http.NewServeMux(),
		live:    http.NewServeMux(),
		streams: make(chan struct{}, options.MaxStreams),
		stop:    make(chan struct{}),
		alarms:  alarms.New(options.Alarms),
		phones:  phones.New(options.Phones),
		answers: answer.New(options.Links),
		people:  people.New(options.People),
	}
	s.routes(static)
	return s, nil
}

// assetVersion is a hash over the assets, so that they can be cached for ever
// under an address that changes with them.
func assetVersion(static fs.FS) (string, error) {
	h := fnv.New64a()
	for _, name := range []string{"style.css", "live.js", "phone.js", "icon.svg"} {
		b, err := fs.ReadFile(static, name)
		if err != nil {
			return "", fmt.Errorf("read built-in asset: %w", err)
		}
		h.Write(b)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func (s *Site) routes(static fs.FS) {
	who := page.Page{Path: "/who", Sections: []page.Section{page.Fixed("who")}, Build: page.Plain("Your name")}
	pages := slices.Concat(rooms.Pages(), cohorts.Pages(), s.alarms.Pages(), s.phones.Pages(), s.people.Pages(), technician.Pages(s.options.History, s.options.Configuration), []page.Page{
		who, {Path: "/messages", Sections: []page.Section{page.Live("messages")}, Build: page.Plain("Messages")},
	})
	actions := slices.Concat(cohorts.Actions(), s.alarms.Actions(), s.phones.Actions(), s.people.Actions(), technician.Actions(s.options.Configuration), []page.Action{{Path: "/who", Take: takeWho, Again: who}})
	for _, p := range pages {
		s.mux.HandleFunc("GET "+p.Path, s.page(p))
		s.live.HandleFunc(p.Path, s.stream(p))
	}
	for _, a := range actions {
		s.mux.HandleFunc("POST "+a.Path, s.post(a))
		if a.Again.Build != nil && a.Again.Path != a.Path {
			// A form that was refused shows its page at its own address.
			s.live.HandleFunc(a.Path, s.stream(a.Again))
		}
	}
	s.answerRoutes()
	s.live.HandleFunc("/", noStream)
	s.mux.HandleFunc("GET /live", s.openStream)
	s.mux.HandleFunc("GET /static/", s.asset)
	s.mux.HandleFunc("POST /phones/sync", s.phones.Sync)
	// A worker is in charge of what stands below its address: of all pages only
	// at the root.
	s.mux.HandleFunc("GET /phone-worker.js", fresh(static, "phone-worker.js", "text/javascript; charset=utf-8"))
	s.mux.HandleFunc("GET /manifest.webmanifest", fresh(static, "manifest.webmanifest", "application/manifest+json"))
	s.mux.HandleFunc("/", s.notFound)
}

func (s *Site) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.mux.ServeHTTP(w, r) }

// Close ends the open streams, which would otherwise hold up a shutdown, and
// what is being worked out for a page.
func (s *Site) Close() {
	s.stopping.Do(func() { close(s.stop) })
	s.alarms.Close()
}

func (s *Site) asset(w http.ResponseWriter, r *http.Request) {
	if r.URL.RawQuery != "" {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	s.static.ServeHTTP(w, r)
}

// fresh serves an asset whose address stays while it changes.
func fresh(static fs.FS, name, kind string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Cache-Control", "no-cache")
		http.ServeFileFS(w, r, static, name)
	}
}

// stalledAfter is how long the engine may publish nothing before pages say so.
const stalledAfter = 40 * time.Second

// pulse notices an engine that no longer publishes: by the time on the wall
// since its clock was last seen to move, and for a live engine also by how far
// its clock is behind, which shows at once.
type pulse struct {
	mu   sync.Mutex
	last time.Time
	seen time.Time
}

// silence returns how long the engine has published nothing, as far as known.
func (p *pulse) silence(s *snapshot.Snapshot, now, wall time.Time) time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.seen.IsZero() || !p.last.Equal(s.Time) {
		p.last, p.seen = s.Time, wall
	}
	quiet := wall.Sub(p.seen)
	if !s.Invented {
		quiet = max(quiet, now.Sub(s.Time))
	}
	return quiet
}
