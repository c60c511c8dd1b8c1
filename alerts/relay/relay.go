package relay

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"rearguard/alerts/notify"
)

const (
	// path is where an Alertmanager takes alerts, below its address.
	path = "/api/v2/alerts"
	// mostTogether bounds the alerts of one call, as Prometheus does.
	mostTogether = 64
	// passLimit bounds all calls of one pass.
	passLimit = 30 * time.Second
	// dateError is how far the header Date may lag: it counts whole seconds,
	// and the way takes time.
	dateError = 2 * time.Second
)

// Target is one Alertmanager.
type Target struct {
	Name string
	// URL is the address of its pages.
	URL string
	// Interval is how often it is told what is on.
	Interval time.Duration
	// Client makes the calls.
	Client *http.Client
	// Username goes with Password; one of Password and Token is set where the
	// Alertmanager asks who calls.
	Username        string
	Password, Token func() (string, error)
}

// Options are what a Relay is given beside its book and targets.
type Options struct {
	// Now is the clock by which alerts begin and end.
	Now func() time.Time
	// Random returns numbers from 0 to 1 for the jitter.
	Random func() float64
	Logger *slog.Logger
}

// Trouble is what keeps an Alertmanager from being told.
type Trouble struct {
	Name string
	// Since is when it was first found.
	Since   time.Time
	Problem string
}

// Relay tells all targets what is in a book.
type Relay struct {
	book    *Book
	options Options
	// replaced says that lanes are others.
	replaced chan struct{}

	mu    sync.Mutex
	lanes []*lane
}

// lane is the way to one target. It is forgotten with its target, so that an
// attempt that is late says nothing about one that took its name.
type lane struct {
	Target
	wake chan struct{}

	mu      sync.Mutex
	trouble Trouble
}

// New builds a relay; Run makes it work.
func New(book *Book, targets []Target, o Options) *Relay {
	return &Relay{book: book, options: o, replaced: make(chan struct{}, 1), lanes: lanesTo(targets)}
}

func lanesTo(targets []Target) []*lane {
	lanes := make([]*lane, len(targets))
	for i, t := range targets {
		lanes[i] = &lane{Target: t, wake: make(chan struct{}, 1)}
	}
	return lanes
}

// Use replaces the targets.
func (r *Relay) Use(targets []Target) {
	r.mu.Lock()
	r.lanes = lanesTo(targets)
	r.mu.Unlock()
	wakeUp(r.replaced)
}

func (r *Relay) now() []*lane {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.lanes
}

// Wake tells that something in the book began or ended. It never blocks.
func (r *Relay) Wake() {
	for _, l := range r.now() {
		wakeUp(l.wake)
	}
}

// Troubles are those of the targets now, in the order of the targets.
func (r *Relay) Troubles() []Trouble {
	var list []Trouble
	for _, l := range r.now() {
		l.mu.Lock()
		if l.trouble.Problem != "" {
			list = append(list, l.trouble)
		}
		l.mu.Unlock()
	}
	return list
}

// Run tells the targets until ctx ends. It is called once.
func (r *Relay) Run(ctx context.Context) {
	for ctx.Err() == nil {
		until, stop := context.WithCancel(ctx)
		var working sync.WaitGroup
		for _, l := range r.now() {
			working.Go(func() { r.tell(until, l) })
		}
		select {
		case <-ctx.Done():
		case <-r.replaced:
		}
		stop()
		working.Wait()
	}
}

// tell tells one target at its interval, sooner after a wake-up. While it
// fails, wake-ups do not hasten the next attempt.
func (r *Relay) tell(ctx context.Context, l *lane) {
	failed := 0
	for {
		err := r.pass(ctx, &l.Target)
		if ctx.Err() != nil {
			return
		}
		r.note(l, err)
		wait, wake := l.Interval, l.wake
		if err == nil {
			failed = 0
		} else {
			failed++
			wait, wake = notify.Pause(err, failed, r.options.Random(), l.Interval), nil
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-wake:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// pass tells a target everything once. It calls even if there is nothing to
// tell: whether it could be told is worth knowing before.
func (r *Relay) pass(ctx context.Context, t *Target) error {
	limited, done := context.WithTimeout(ctx, passLimit)
	defer done()
	list := r.book.Alerts(r.options.Now(), t.Interval)
	for {
		some := list[:min(len(list), mostTogether)]
		if err := r.post(limited, t, some); err != nil {
			return err
		}
		if list = list[len(some):]; len(list) == 0 {
			return nil
		}
	}
}

func (r *Relay) post(ctx context.Context, t *Target, list []Alert) error {
	body, err := json.Marshal(list)
	if err != nil {
		return fmt.Errorf("encode alerts: %w", err)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimRight(t.URL, "/")+path, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("call Alertmanager: %w", err)
	}
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", "rearguard")
	secret := ""
	switch {
	case t.Token != nil:
		secret, err = t.Token()
		request.Header.Set("Authorization", "Bearer "+secret)
	case t.Password != nil:
		secret, err = t.Password()
		request.SetBasicAuth(t.Username, secret)
	}
	if err != nil {
		return err
	}
	now := r.options.Now()
	_, credentials, _ := strings.Cut(request.Header.Get("Authorization"), " ")
	answer, err := notify.Exchange(t.Client, request, "Alertmanager", now, secret, credentials)
	if err != nil {
		return err
	}
	return clocksAgree(now, answer.Get("Date"), t.Interval)
}

// clocksAgree is an error if the clock of an Alertmanager that has said what
// time it is differs so much that what is on could seem over to it.
func clocksAgree(now time.Time, date string, interval time.Duration) error {
	its, err := http.ParseTime(date)
	if err != nil {
		return nil //nolint:nilerr // one that does not say its time is not worse than others
	}
	// No figure that is another each time: one trouble is told once.
	most, word := lapse/2*interval+dateError, "ahead of"
	if its.Before(now) {
		word = "behind"
	}
	if its.Sub(now).Abs() > most {
		return fmt.Errorf("the clock of the Alertmanager is more than %v %s rearguard's, so that alarms end too early or too late there: set whichever is wrong", most, word)
	}
	return nil
}

// note takes note of how a pass ended, and says so where that is news.
func (r *Relay) note(l *lane, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	failing := l.trouble.Problem != ""
	about := r.options.Logger.With("alertmanager", l.Name)
	switch {
	case err != nil && failing:
		l.trouble.Problem = err.Error()
	case err != nil:
		l.trouble = Trouble{l.Name, r.options.Now(), err.Error()}
		about.Warn("the Alertmanager cannot be told which alarms are on; it will be tried again", "error", err)
	case failing:
		l.trouble = Trouble{}
		about.Info("the Alertmanager is told again which alarms are on")
	}
}

func wakeUp(wake chan<- struct{}) {
	select {
	case wake <- struct{}{}:
	default:
	}
}
