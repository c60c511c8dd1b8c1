package service

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"rearguard/alerts/peers"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/species"
)

// A site of which nothing comes any more is an alarm here, and over when it is
// heard of again; a restart in between changes nothing.
func TestSilentSiteIsAnAlarm(t *testing.T) {
	t.Setenv("REARGUARD_TEST_PEER", "s3cret")
	config := filepath.Join(t.TempDir(), "facility.yaml")
	if err := os.WriteFile(config, []byte(`
facility: {name: South house}
records: {path: peers.db, synchronous: normal}
broker: {address: "tcp://127.0.0.1:1", client_id: t}
rooms: [{id: nursery}]
peers: [{id: north, name: North house, secret_env: REARGUARD_TEST_PEER}]
`), 0o600); err != nil {
		t.Fatal(err)
	}
	f, catalog := loaded(t, config)
	f.Peers[0].SilentAfter = 2 * time.Second
	var pages string
	run := func() (stop func()) {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		pages = "http://" + listener.Addr().String()
		ctx, cancel := context.WithCancel(t.Context())
		ready, ended := make(chan struct{}), make(chan error, 1)
		go func() {
			ended <- Run(ctx, Options{
				Facility: f, Config: config, Catalog: catalog, Version: "test", Logger: slog.New(slog.DiscardHandler),
				Clocks: Machine(time.Now), TickEvery: 50 * time.Millisecond, Listener: listener,
			}, func(*daemon.Engine) { close(ready) })
		}()
		<-ready
		return func() {
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
	}
	beat := func(at time.Time) int {
		t.Helper()
		header, err := peers.Beat("s3cret", []byte(beatBody), at)
		if err != nil {
			t.Fatal(err)
		}
		request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, pages+"/api/v1/peers/north/beat", bytes.NewReader([]byte(beatBody)))
		if err != nil {
			t.Fatal(err)
		}
		maps.Copy(request.Header, header)
		request.Header.Set("Content-Type", "application/json")
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer.StatusCode
	}
	alarm := func() string {
		answer, err := http.Get(pages + "/api/v1/alarms")
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		var list []struct {
			Active bool `json:"active"`
			Key    struct {
				Condition, Subject string
			} `json:"key"`
		}
		if err := json.NewDecoder(answer.Body).Decode(&list); err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			if a.Key.Condition == "site_silent" {
				return fmt.Sprint(a.Key.Subject, " ", a.Active)
			}
		}
		return ""
	}
	until := func(what, want string) {
		t.Helper()
		deadline := time.Now().Add(20 * time.Second)
		for alarm() != want {
			if time.Now().After(deadline) {
				t.Fatalf("%s: %q, want %q", what, alarm(), want)
			}
			<-time.After(20 * time.Millisecond)
		}
	}

	stop := run()
	began := time.Now()
	if got := beat(began); got != http.StatusNoContent {
		t.Fatalf("a beat is answered by %d", got)
	}
	if got := beat(began); got != http.StatusForbidden {
		t.Errorf("the same beat again is answered by %d", got)
	}
	until("nothing came any more", "north true")
	stop()
	again := run()
	defer again()
	until("after a restart", "north true")
	if got := beat(began.Add(time.Minute)); got != http.StatusNoContent {
		t.Fatalf("a beat is answered by %d", got)
	}
	until("it was heard of again", "north false")
}

// loaded is a configuration with its species.
func loaded(t *testing.T, config string) (*facility.Facility, *species.Catalog) {
	t.Helper()
	f, err := facility.Load(config)
	if err != nil {
		t.Fatal(err)
	}
	catalog, err := species.CatalogOf(f.Species)
	if err != nil {
		t.Fatal(err)
	}
	return f, catalog
}
