// Package peers knows which other sites are well. Each sends a beat now and then,
// only while all is proven to work there, signed with a secret that both sites
// know: as a webhook is, over its id, its time and its body. One whose time is far
// off, or not after that of the one before, is refused, so that a beat that was
// overheard is worth nothing. After a start the one before is not known: then a
// beat counts again for as long as a clock may be off.
package peers

import (
	"crypto/hmac"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"sync"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
)

// tolerance is how far the clocks of two sites may be apart (Standard Webhooks,
// whose libraries take five minutes).
const tolerance = 5 * time.Minute

// Peer is another site.
type Peer struct {
	ID, Name string
	// SilentAfter is how long nothing may be heard of it.
	SilentAfter time.Duration
	Secret      func() (string, error)
}

var (
	// ErrUnknown says that no such site is configured.
	ErrUnknown = errors.New("there is no such site")
	// ErrRefused says that a beat is not believed.
	ErrRefused = errors.New("the beat is not believed")
)

// Watch watches other sites. It is safe for use by several goroutines.
type Watch struct {
	mu   sync.Mutex
	list []*watched
}

type watched struct {
	Peer
	// heard is when it was last heard of, by the time since the start.
	heard time.Duration
	// stamp is the time of the newest beat, in seconds since 1970.
	stamp int64
	// since is the time of heard once it is silent, zero before.
	since time.Time
}

// Use replaces the sites, at a time since the start. One that is new has time to
// be heard of; those in silent are known to be silent already, for how long.
func (w *Watch) Use(list []Peer, elapsed time.Duration, silent map[string]time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	before := w.list
	w.list = nil
	for _, p := range list {
		next := &watched{Peer: p, heard: elapsed - silent[p.ID]}
		for _, o := range before {
			if o.ID == p.ID {
				next.heard, next.stamp, next.since = o.heard, o.stamp, o.since
			}
		}
		w.list = append(w.list, next)
	}
}

// Take takes a beat in that came at a time, which is also given since the start.
func (w *Watch) Take(id string, header http.Header, body []byte, now time.Time, elapsed time.Duration) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, p := range w.list {
		if p.ID != id {
			continue
		}
		stamp, err := p.check(header, body, now)
		if err != nil {
			return err
		}
		p.stamp, p.heard, p.since = stamp, elapsed, time.Time{}
		return nil
	}
	return ErrUnknown
}

// check returns the time of a beat that is to be believed.
func (p *watched) check(header http.Header, body []byte, now time.Time) (int64, error) {
	secret, err := p.Secret()
	if err != nil {
		return 0, err
	}
	text := header.Get("Webhook-Timestamp")
	want, err := notify.Sign(secret, header.Get("Webhook-Id"), text, body)
	if err != nil {
		return 0, err
	}
	if !hmac.Equal([]byte(want), []byte(header.Get("Webhook-Signature"))) {
		return 0, fmt.Errorf("%w: its signature is not that of the secret both sites are to have", ErrRefused)
	}
	stamp, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("%w: it does not say when it was sent", ErrRefused)
	}
	if off := now.Sub(time.Unix(stamp, 0)); off.Abs() > tolerance {
		return 0, fmt.Errorf("%w: it was sent %v from now; if it was sent just now, the clock of one of the sites is wrong", ErrRefused, off.Round(time.Second))
	}
	if stamp <= p.stamp {
		return 0, fmt.Errorf("%w: it is not newer than the one before", ErrRefused)
	}
	return stamp, nil
}

// Signs say of each site whether it is silent, at a time that is also given since
// the start.
func (w *Watch) Signs(now time.Time, elapsed time.Duration) []conditions.SiteSign {
	w.mu.Lock()
	defer w.mu.Unlock()
	var list []conditions.SiteSign
	for _, p := range w.list {
		s := conditions.SiteSign{ID: p.ID, Name: p.Name, After: p.SilentAfter}
		if quiet := elapsed - p.heard; quiet >= p.SilentAfter {
			// It changes only if the clock was moved.
			if since := now.Add(-quiet); since.Sub(p.since).Abs() > time.Minute {
				p.since = since.UTC().Truncate(time.Millisecond)
			}
			s.Since = p.since
		}
		list = append(list, s)
	}
	return list
}

// Beat makes the headers of a beat of our own.
func Beat(secret string, body []byte, now time.Time) (http.Header, error) {
	stamp := strconv.FormatInt(now.Unix(), 10)
	id := "beat_" + stamp
	signature, err := notify.Sign(secret, id, stamp, body)
	if err != nil {
		return nil, err
	}
	return http.Header{"Webhook-Id": {id}, "Webhook-Timestamp": {stamp}, "Webhook-Signature": {signature}}, nil
}
