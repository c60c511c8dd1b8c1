package notify_test

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"rearguard/alerts/notify"
)

// The signature in the header is checked by computing it the way a receiver
// would; the scheme itself is checked by its published example elsewhere.
const rawSecret = "a secret of more than 24 bytes, shared by both"

func roots(server *httptest.Server) *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(server.Certificate())
	return pool
}

func webhook(server *httptest.Server, url, secret string) *notify.Webhook {
	return notify.NewWebhook(notify.WebhookConfig{URL: url, Secret: func() (string, error) { return secret, nil }, Roots: roots(server)})
}

func TestWebhookCallIsSignedAndComplete(t *testing.T) {
	for name, secret := range map[string]string{"plain secret": rawSecret, "encoded secret": "whsec_" + base64.StdEncoding.EncodeToString([]byte(rawSecret))} {
		t.Run(name, func(t *testing.T) {
			type call struct {
				header http.Header
				method string
				body   []byte
			}
			calls := make(chan call, 1)
			server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				body, _ := io.ReadAll(r.Body)
				calls <- call{r.Header, r.Method, body}
				w.WriteHeader(http.StatusNoContent)
			}))
			defer server.Close()
			m := message(t, heat(notify.Cleared, 3, begin.Add(time.Hour)), begin.Add(time.Hour))
			if err := webhook(server, server.URL+"/hook", secret).Send(t.Context(), m); err != nil {
				t.Fatal(err)
			}
			got := <-calls
			id, stamp := got.header.Get("webhook-id"), got.header.Get("webhook-timestamp")
			mac := hmac.New(sha256.New, []byte(rawSecret))
			mac.Write([]byte(id + "." + stamp + "." + string(got.body)))
			if want := "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil)); got.header.Get("webhook-signature") != want {
				t.Errorf("signature = %q, want %q", got.header.Get("webhook-signature"), want)
			}
			if id == "" || strings.Contains(id, ".") || stamp != "1736820840" || got.method != http.MethodPost || got.header.Get("Content-Type") != "application/json" {
				t.Errorf("method %s, header %v", got.method, got.header)
			}
			var body struct {
				Type string
				Data struct {
					State      string
					Sequence   int64
					Occurrence int64
					Recipient  string
					Priority   string
					Headline   string
					Number     struct{ Value float64 }
				}
			}
			if err := json.Unmarshal(got.body, &body); err != nil {
				t.Fatal(err)
			}
			d := body.Data
			if body.Type != "alarm.cleared" || d.State != "normal" || d.Sequence != 3 || d.Occurrence != 42 || d.Recipient != "lead" ||
				d.Priority != "high" || d.Headline != "Back to normal: Nursery (was: too hot, 1 h)" || d.Number.Value != 36.44 {
				t.Errorf("body = %s", got.body)
			}
		})
	}
}

func TestWebhookIDIsThatOfTheNotice(t *testing.T) {
	ids := make(chan string, 3)
	server := httptest.NewTLSServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { ids <- r.Header.Get("webhook-id") }))
	defer server.Close()
	hook := webhook(server, server.URL, rawSecret)
	for _, m := range []notify.Message{
		message(t, heat(notify.Raised, 2, begin), begin), message(t, heat(notify.Raised, 2, begin), begin.Add(time.Hour)), message(t, heat(notify.Cleared, 3, begin), begin),
	} {
		if err := hook.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	first, again, other := <-ids, <-ids, <-ids
	if first != again || first == other {
		t.Errorf("ids %q and %q of one notice, %q of another", first, again, other)
	}
}

func TestWebhookAnswers(t *testing.T) {
	tests := []struct {
		name      string
		status    int
		header    string
		permanent bool
		text      string
	}{
		{"created counts", http.StatusCreated, "", false, ""},
		{"server error", http.StatusInternalServerError, "", false, "500"},
		{"refused signature can be mended", http.StatusUnauthorized, "", false, "401"},
		{"gone for good", http.StatusGone, "", true, "410"},
		{"wait in seconds", http.StatusTooManyRequests, "120", false, "asked to wait 2m0s"},
		{"wait until a date", http.StatusServiceUnavailable, begin.Add(90 * time.Second).Format(http.TimeFormat), false, "asked to wait 1m30s"},
		{"wait for ages", http.StatusServiceUnavailable, "4000000000", false, "asked to wait 1h0m0s"},
		{"wait until the past", http.StatusServiceUnavailable, begin.Add(-time.Hour).Format(http.TimeFormat), false, "asked to wait 0s"},
		{"wait for nonsense", http.StatusServiceUnavailable, "soon", false, "503"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				if tt.header != "" {
					w.Header().Set("Retry-After", tt.header)
				}
				w.WriteHeader(tt.status)
			}))
			defer server.Close()
			err := webhook(server, server.URL, rawSecret).Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
			if (err == nil) != (tt.text == "") || notify.IsPermanent(err) != tt.permanent || err != nil && !strings.Contains(err.Error(), tt.text) {
				t.Errorf("error = %v (permanent %v), want %q (permanent %v)", err, notify.IsPermanent(err), tt.text, tt.permanent)
			}
		})
	}
}

func TestWebhookFollowsNoRedirect(t *testing.T) {
	reached := make(chan string, 1)
	target := httptest.NewTLSServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { reached <- r.URL.Path }))
	defer target.Close()
	server := httptest.NewTLSServer(http.RedirectHandler(target.URL, http.StatusTemporaryRedirect))
	defer server.Close()
	err := webhook(server, server.URL, rawSecret).Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
	if err == nil || !strings.Contains(err.Error(), "redirects are not followed") {
		t.Errorf("error = %v, want that redirects are not followed", err)
	}
	select {
	case path := <-reached:
		t.Errorf("the redirect was followed to %s", path)
	default:
	}
}

func TestWebhookTrustsOnlyItsServer(t *testing.T) {
	server := httptest.NewTLSServer(http.NotFoundHandler())
	defer server.Close()
	server.Config.ErrorLog = nil
	stranger := notify.NewWebhook(notify.WebhookConfig{URL: server.URL, Secret: func() (string, error) { return rawSecret, nil }, Roots: x509.NewCertPool()})
	if err := stranger.Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin)); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("error = %v, want that the certificate is not trusted", err)
	}
}

func TestWebhookDoesNotWaitForASlowServer(t *testing.T) {
	release := make(chan struct{})
	server := httptest.NewTLSServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		<-release
	}))
	defer server.Close()
	defer close(release)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := webhook(server, server.URL, rawSecret).Send(ctx, message(t, heat(notify.Raised, 2, begin), begin)); err == nil || notify.IsPermanent(err) {
		t.Errorf("error = %v, want one that is tried again", err)
	}
}
