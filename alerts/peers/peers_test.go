package peers

import (
	"errors"
	"net/http"
	"strconv"
	"testing"
	"time"

	"rearguard/alerts/notify"
)

var begin = time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)

const (
	secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	after  = 10 * time.Minute
)

func north() []Peer {
	return []Peer{{ID: "north", Name: "North house", SilentAfter: after, Secret: func() (string, error) { return secret, nil }}}
}

// site is a watch of one other site.
type site struct {
	*testing.T
	Watch
	elapsed, ahead time.Duration
}

func (s *site) now() time.Time { return begin.Add(s.elapsed + s.ahead) }

// beat takes in a beat that was sent at a time.
func (s *site) beat(id, with string, sent time.Time) error {
	header, err := Beat(with, []byte("{}"), sent)
	if err != nil {
		s.Fatal(err)
	}
	return s.Take(id, header, []byte("{}"), s.now(), s.elapsed)
}

func (s *site) silent() time.Time {
	signs := s.Signs(s.now(), s.elapsed)
	if len(signs) != 1 || signs[0].ID != "north" || signs[0].Name != "North house" || signs[0].After != after {
		s.Fatalf("signs: %+v", signs)
	}
	return signs[0].Since
}

// A site that is not heard of for long enough is silent since it was last heard
// of, until it is heard of again; a clock that is moved changes nothing.
func TestSiteIsSilentUntilItIsHeardOf(t *testing.T) {
	s := &site{T: t}
	s.Use(north(), 0, nil)
	s.elapsed = after - time.Second
	if got := s.silent(); !got.IsZero() {
		t.Errorf("silent since %v, before it had time to be heard of", got)
	}
	if err := s.beat("north", secret, s.now()); err != nil {
		t.Fatal(err)
	}
	heard := s.now()
	s.elapsed += after
	if got := s.silent(); !got.Equal(heard) {
		t.Errorf("silent since %v, want %v", got, heard)
	}
	s.elapsed += time.Minute + 7*time.Millisecond
	if got := s.silent(); !got.Equal(heard) {
		t.Errorf("silent since %v a minute later, want %v", got, heard)
	}
	s.ahead = time.Hour
	if got := s.silent(); !got.Equal(heard.Add(time.Hour)) {
		t.Errorf("silent since %v by a clock that was moved, want %v", got, heard.Add(time.Hour))
	}
	if err := s.beat("north", secret, s.now()); err != nil {
		t.Fatal(err)
	}
	if got := s.silent(); !got.IsZero() {
		t.Errorf("silent since %v, though it was just heard of", got)
	}
	// A start does not make it heard of, and neither does another configuration.
	s.elapsed += 5 * time.Minute
	s.Use(north(), s.elapsed, nil)
	s.elapsed += 5 * time.Minute
	if s.silent().IsZero() {
		t.Error("a new configuration made it heard of")
	}
	restarted := &site{T: t}
	restarted.Use(north(), 0, map[string]time.Duration{"north": time.Hour})
	if got := restarted.silent(); !got.Equal(begin.Add(-time.Hour)) {
		t.Errorf("silent since %v after a start, want an hour before it", got)
	}
}

// Nobody else can say that a site is well, nor say again what it said.
func TestBeatsOfOthersAreRefused(t *testing.T) {
	s := &site{T: t}
	s.Use(north(), 0, nil)
	if err := s.beat("south", secret, s.now()); !errors.Is(err, ErrUnknown) {
		t.Errorf("a site that nobody knows: %v", err)
	}
	header, err := Beat(secret, []byte("{}"), s.now())
	if err != nil {
		t.Fatal(err)
	}
	changed := header.Clone()
	changed.Set("Webhook-Timestamp", strconv.FormatInt(s.now().Unix()+1, 10))
	timeless := http.Header{"Webhook-Id": {"x"}, "Webhook-Timestamp": {"now"}}
	signature, err := notify.Sign(secret, "x", "now", []byte("{}"))
	if err != nil {
		t.Fatal(err)
	}
	timeless.Set("Webhook-Signature", signature)
	for name, refused := range map[string]func() error{
		"another secret":    func() error { return s.beat("north", "another", s.now()) },
		"a changed time":    func() error { return s.Take("north", changed, []byte("{}"), s.now(), 0) },
		"a changed body":    func() error { return s.Take("north", header, []byte("{ }"), s.now(), 0) },
		"no signature":      func() error { return s.Take("north", http.Header{}, nil, s.now(), 0) },
		"no time":           func() error { return s.Take("north", timeless, []byte("{}"), s.now(), 0) },
		"an old one":        func() error { return s.beat("north", secret, s.now().Add(-6*time.Minute)) },
		"one of the future": func() error { return s.beat("north", secret, s.now().Add(6*time.Minute)) },
	} {
		if err := refused(); !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := s.Take("north", header, []byte("{}"), s.now(), 0); err != nil {
		t.Fatalf("the real one: %v", err)
	}
	if err := s.Take("north", header, []byte("{}"), s.now(), 0); !errors.Is(err, ErrRefused) {
		t.Errorf("the same again: %v", err)
	}
	if err := s.beat("north", secret, s.now().Add(-time.Second)); !errors.Is(err, ErrRefused) {
		t.Errorf("an older one: %v", err)
	}
}
