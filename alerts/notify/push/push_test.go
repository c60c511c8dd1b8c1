package push

import (
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"rearguard/alerts/notify/push/pushtest"
)

func sender(t *testing.T, s *pushtest.Service) *Sender {
	t.Helper()
	return NewSender(Config{Key: newTestKey(t), Contact: "mailto:lead@example.org", Services: []string{"127.0.0.1"}, Roots: s.Roots()})
}

func subscription(t *testing.T, b *pushtest.Browser) Subscription {
	t.Helper()
	to, err := NewSubscription(b.Endpoint, b.P256dh(), b.Secret())
	if err != nil {
		t.Fatal(err)
	}
	return to
}

func TestRequestIsComplete(t *testing.T) {
	service := pushtest.NewService(t)
	b := service.Subscribe()
	s := sender(t, service)
	m := Message{Payload: []byte(`{"title":"Nursery too hot"}`), TTL: 90*time.Minute + 500*time.Millisecond, Urgency: High, Topic: "heat_nursery-1"}
	if err := s.Send(t.Context(), subscription(t, b), m, begin); err != nil {
		t.Fatal(err)
	}
	got := <-service.Deliveries
	if got.Browser != b || string(got.Payload) != string(m.Payload) || got.Key != s.Key().Public() || got.Claims.Audience != service.URL {
		t.Errorf("got %+v", got)
	}
	for name, want := range map[string]string{"TTL": "5400", "Urgency": "high", "Topic": "heat_nursery-1", "Content-Encoding": "aes128gcm"} {
		if got.Header.Get(name) != want {
			t.Errorf("%s: %q, want %q", name, got.Header.Get(name), want)
		}
	}
	m = Message{Urgency: Low}
	if err := s.Send(t.Context(), subscription(t, b), m, begin); err != nil {
		t.Fatal(err)
	}
	if h := (<-service.Deliveries).Header; h.Get("TTL") != "0" || h["Topic"] != nil || h.Get("Urgency") != "low" {
		t.Errorf("header %v", h)
	}
}

func TestMessagesThatAreNotSent(t *testing.T) {
	service := pushtest.NewService(t)
	s, to := sender(t, service), subscription(t, service.Subscribe())
	for name, m := range map[string]Message{
		"too large": {Payload: make([]byte, MaxPayload+1)}, "kept for less than no time": {TTL: -time.Second},
		"topic too long": {Topic: strings.Repeat("x", 33)}, "topic in the wrong alphabet": {Topic: "a/b"},
	} {
		if err := s.Send(t.Context(), to, m, begin); err == nil {
			t.Errorf("%s: it was sent", name)
		}
	}
	select {
	case d := <-service.Deliveries:
		t.Errorf("%s arrived", d.Payload)
	default:
	}
}

func TestOnlyKnownServicesAreCalled(t *testing.T) {
	b, _ := browser(t)
	s := NewSender(Config{Services: []string{"push.moths.example.org"}})
	for host, want := range map[string]bool{
		"fcm.googleapis.com": true, "web.push.apple.com": true, "updates.push.services.mozilla.com": true, "wns2-par02p.notify.windows.com": true,
		"push.moths.example.org": true, "push.moths.example.org:8443": true,
		"127.0.0.1": false, "localhost:8080": false, "evil.example": false, "fcm.googleapis.com.evil.example": false, "push.apple.com.evil.example": false,
		"xpush.apple.com": false, "169.254.169.254": false, "[::1]": false,
	} {
		to, err := NewSubscription("https://"+host+"/x", b.P256dh(), b.Secret())
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Admits(to); (err == nil) != want || err != nil && !strings.Contains(err.Error(), "push.services") {
			t.Errorf("%s: %v", host, err)
		}
	}
}

func TestAnswers(t *testing.T) {
	service := pushtest.NewService(t)
	s := sender(t, service)
	for _, tt := range []struct {
		status      int
		gone, final bool
	}{
		{http.StatusBadRequest, false, true}, {http.StatusUnauthorized, false, true}, {http.StatusForbidden, false, true},
		{http.StatusNotFound, true, true}, {http.StatusGone, true, true}, {http.StatusRequestEntityTooLarge, false, true},
		{http.StatusTooManyRequests, false, false}, {http.StatusInternalServerError, false, false}, {http.StatusServiceUnavailable, false, false},
		{http.StatusTemporaryRedirect, false, false}, {http.StatusRequestTimeout, false, false},
	} {
		b := service.Subscribe()
		service.Answer(b, tt.status, "120", "reason: BadJwtToken\n of "+b.Endpoint+" "+b.P256dh()+strings.Repeat(" and so on", 30))
		err := s.Send(t.Context(), subscription(t, b), Message{Payload: []byte("x")}, begin)
		var r *Refusal
		if !errors.As(err, &r) || r.Status != tt.status || r.Gone() != tt.gone || r.Final() != tt.final || r.RetryAfter != "120" {
			t.Errorf("%d: %v", tt.status, err)
			continue
		}
		text := err.Error()
		if !strings.Contains(text, "reason: BadJwtToken of … …") || len(text) > 300 || strings.ContainsAny(text, "\n") {
			t.Errorf("%d says %q", tt.status, text)
		}
		if strings.Contains(text, b.Endpoint[len(service.URL):]) || strings.Contains(text, b.P256dh()) {
			t.Errorf("%d tells a secret: %q", tt.status, text)
		}
	}
}

func TestServiceOutOfReach(t *testing.T) {
	service := pushtest.NewService(t)
	b := service.Subscribe()
	s, to := sender(t, service), subscription(t, b)
	service.Close()
	err := s.Send(t.Context(), to, Message{}, begin)
	var r *Refusal
	if !errors.Is(err, ErrUnreachable) || errors.As(err, &r) || !strings.Contains(err.Error(), "127.0.0.1") || strings.Contains(err.Error(), "/deliver/") {
		t.Errorf("error %v", err)
	}
}
