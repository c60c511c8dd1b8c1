package service

import (
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/alerts/notify"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
)

// What the configuration says about a call is what a gateway gets, and a mistake
// in a file that it names is told with the name of that file.
func TestTemplateOfAChannelWritesItsCalls(t *testing.T) {
	var got *http.Request
	var body []byte
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		got = r
		body, _ = io.ReadAll(r.Body)
	}))
	defer server.Close()
	folder := t.TempDir()
	config, sms := filepath.Join(folder, "facility.yaml"), filepath.Join(folder, "sms.tmpl")
	t.Setenv("REARGUARD_TEST_KEY", "k3y")
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(config, `
facility: {name: Test}
broker: {address: "tcp://127.0.0.1", client_id: t}
rooms: [{id: nursery}]
people: [{id: lead, name: Lead, phone: "+34600000000"}]
channels:
  - id: sms
    kind: webhook
    url: `+server.URL+`
    template:
      content_type: application/x-www-form-urlencoded
      body_file: sms.tmpl
      headers: [{name: Authorization, value: "Bearer {{secret}}", secret_env: REARGUARD_TEST_KEY}]
roster: [{who: [lead], channels: [sms]}]
`)
	write(sms, "to={{url .Phone}}&text={{url .Headline}}")
	f, err := facility.Load(config)
	if err != nil {
		t.Fatal(err)
	}
	built, err := channels(f, nil, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if err := built["sms"].Send(t.Context(), notify.Message{Notice: notify.Notice{Key: "k", Recipient: "lead"}, Now: time.Now(), Subject: "High: a & b"}); err != nil {
		t.Fatal(err)
	}
	if string(body) != "to=%2B34600000000&text=High%3A+a+%26+b" || got.Header.Get("Authorization") != "Bearer k3y" {
		t.Errorf("body %q, header %v", body, got.Header)
	}

	write(sms, "\n{{.Headlin}}")
	_, err = facility.Load(config)
	if err = refusedFile(config, err); !errors.Is(err, fold.ErrRefused) || !strings.Contains(err.Error(), sms+", line 2: there is no field .Headlin: did you mean Headline?") {
		t.Errorf("error = %v, want the place of the mistake", err)
	}
}
