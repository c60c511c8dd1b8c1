package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"rearguard/sensors/broker/brokertest"
)

// phones keep what is told to whom, in order.
type phones struct {
	mu   sync.Mutex
	told []string
}

func (p *phones) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var call struct {
		Data struct{ Recipient, Headline, Text string }
	}
	if json.NewDecoder(r.Body).Decode(&call) != nil || !strings.Contains(call.Data.Text, "Nursery") {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.told = append(p.told, call.Data.Recipient+": "+call.Data.Headline+"\n"+call.Data.Text)
}

// heard reports whether a person was told something that has all these words.
func (p *phones) heard(person string, words ...string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.ContainsFunc(p.told, func(told string) bool {
		return strings.HasPrefix(told, person+": ") && !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(told, w) })
	})
}

// The first on the roster does not answer, and the next is called, also by a
// program that was killed and started again meanwhile. Who says to be going is
// named to those who were called, and to nobody else.
func TestTheNextIsCalledAndGoes(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	p := &phones{}
	hook := httptest.NewServer(p)
	defer hook.Close()
	t.Setenv("REARGUARD_PHONE_SECRET", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(t.TempDir(), "facility.yaml")
	text := fmt.Sprintf(`
facility: {name: Night, timezone: UTC}
records: {path: alarms.db, synchronous: normal}
broker: {address: "tcp://127.0.0.1:%d", client_id: night}
web: {listen: %q, public_url: "http://%s"}
rooms: [{id: nursery, name: Nursery, limits: {heat_celsius: 30}}]
sensors: [{id: s, room: nursery, interval: 60s, inputs: [{topic: night/s, format: plain, values: [{quantity: temperature, unit: °C}]}]}]
people: [{id: ines, name: Ines}, {id: ben, name: Ben}, {id: carla, name: Carla}]
channels: [{id: phone, kind: webhook, url: %q, secret_env: REARGUARD_PHONE_SECRET}]
roster: [{who: [ines, ben, carla], channels: [phone], priorities: [high, critical], turns: in order}]
alarms: {heat: {on_delay: 1s, off_delay: 2s}}
incidents: {settle: 1s, escalate_after: {high: 20s}}
`, m.Port, pages, pages, hook.URL)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &site{&daemonProcess{t: t, config: config, pages: pages}, filepath.Dir(config)}
	s.run()
	s.awaitReady()
	post(t, pages, "/api/v1/cohorts", `{"who":"keeper","id":"c","species":"danaus-plexippus","start_stage":"larva-3","individuals":50,"room":"nursery"}`)
	c := client(t, m.URL())
	eventually(t, "Ines is called", time.Minute, func() bool {
		return p.heard("ines", "high priority") || c.Publish("night/s", 1, false, "36").WaitTimeout(time.Second) && p.heard("ines", "high priority")
	})
	s.end(syscall.SIGKILL)
	s.run()
	s.awaitReady()
	eventually(t, "Ben is called besides", time.Minute, func() bool {
		return p.heard("ben", "high priority", "Nobody has answered since", "called so far: Ines")
	})
	post(t, pages, "/api/v1/alarms/going", `{"key":{"condition":"heat","room":"nursery"},"who":"Ben"}`)
	eventually(t, "Ines hears that Ben is going", time.Minute, func() bool { return p.heard("ines", "Ben is going") })
	type incident struct {
		TakenBy string `json:"taken_by"`
		Going   bool
		Called  []struct{ Name string }
		Next    *struct{ Names []string }
	}
	var list []incident
	eventually(t, "the API says who has it", time.Minute, func() bool {
		return s.get("/api/v1/incidents", &list) && slices.ContainsFunc(list, func(i incident) bool {
			return i.TakenBy == "Ben" && i.Going && i.Next == nil && len(i.Called) == 2 && i.Called[0].Name == "Ines" && i.Called[1].Name == "Ben"
		})
	})
	if page := follow(t, "http://"+pages+"/alarms"); !strings.Contains(page, "Ben is going since") || !strings.Contains(page, "Called: Ines at ") {
		t.Errorf("the page of alarms says nothing of Ben or Ines:\n%s", page)
	}
	eventually(t, "those who were called hear that it is over", time.Minute, func() bool {
		return p.heard("ben", "Back to normal") && p.heard("ines", "Back to normal") || c.Publish("night/s", 1, false, "24").WaitTimeout(time.Second) && p.heard("ben", "Back to normal")
	})
	if p.heard("carla") || p.heard("ben", "Ben is going") {
		t.Errorf("told too much: %q", p.told)
	}
}
