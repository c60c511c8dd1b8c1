package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"rearguard/sensors/broker/brokertest"
)

// complaints are those that users have of comparable plumbing, numbered from 1.
const complaints = 20

// Each complaint has a test that carries its number in its name and shows that
// nobody has to make it here.
func TestEveryComplaintHasItsTest(t *testing.T) {
	name := regexp.MustCompile(`(?m)^func TestComplaint0?([1-9][0-9]*)[A-Z]\w*\(t \*testing\.T\)`)
	found := map[string]bool{}
	err := filepath.WalkDir("../..", func(path string, entry os.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		for _, match := range name.FindAllSubmatch(text, -1) {
			found[string(match[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for n := 1; n <= complaints; n++ {
		if !found[fmt.Sprint(n)] {
			t.Errorf("no test is named TestComplaint%02d…", n)
		}
	}
}

// A value that the broker retains is given out anew at each subscription. It
// is of unknown age then, and no reading, however often the daemon or the
// broker is started.
func TestComplaint03RetainedValueIsNotNewAfterRestart(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Persistence: true})
	s := newSite(t, m.Port, "")
	s.run()
	s.awaitReady()
	retain := func(topic, payload string) {
		c := client(t, m.URL())
		if token := c.Publish(topic, 1, true, payload); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatalf("publish on %s: %v", topic, token.Error())
		}
		c.Disconnect(100)
	}
	stamp := time.Now().UTC().Truncate(time.Millisecond)
	retain("bad/temperature", "24.5")
	retain("bad/timed", fmt.Sprintf(`{"ts":%d,"t":25,"h":60}`, stamp.UnixMilli()))
	heard := func(wanted int) {
		t.Helper()
		eventually(t, fmt.Sprintf("%d readings stored", wanted), time.Minute, func() bool {
			timed, plain := s.stored()
			return len(timed)+len(plain) >= wanted
		})
	}
	heard(3)
	for round := range 3 {
		if round == 1 {
			m.Stop()
			m.Launch()
		} else {
			s.end(syscall.SIGTERM)
			s.start()
		}
		s.awaitReady()
		// What comes after the retained values shows that they have been handled.
		c := client(t, m.URL())
		publish(t, c, "bad/humidity", fmt.Appendf(nil, "%d", 60+round))
		c.Disconnect(100)
		heard(4 + round)
		timed, plain := s.stored()
		if len(timed) != 2 || len(plain) != 2+round || plain[0] != 24.5 {
			t.Fatalf("round %d: stored %v and %v, want each retained value once", round, timed, plain)
		}
	}
}

// nightPhone keeps the first notice of a raised alarm that it is told.
type nightPhone struct{ notice atomic.Pointer[[]byte] }

func (p *nightPhone) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err == nil && strings.Contains(string(body), `"heat"`) {
		p.notice.CompareAndSwap(nil, &body)
	}
}

// Whoever is woken follows the link of the notice and says by name that they
// have it; everybody else sees who, and since when. That a call nobody takes on
// is repeated is shown where alarms are timed.
func TestComplaint14SomebodyHasIt(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	p := &nightPhone{}
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
people: [{id: lead, name: Lead}]
channels: [{id: phone, kind: webhook, url: %q, secret_env: REARGUARD_PHONE_SECRET}]
roster: [{who: [lead], channels: [phone], priorities: [low, medium, high, critical]}]
alarms: {heat: {on_delay: 1s, off_delay: 2s}}
`, m.Port, pages, pages, hook.URL)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &site{&daemonProcess{t: t, config: config, pages: pages}, filepath.Dir(config)}
	s.run()
	s.awaitReady()
	post(t, pages, "/api/v1/cohorts", `{"who":"keeper","id":"c","species":"danaus-plexippus","start_stage":"larva-3","individuals":50,"room":"nursery"}`)
	c := client(t, m.URL())
	eventually(t, "the phone is told of the heat", time.Minute, func() bool {
		return p.notice.Load() != nil || c.Publish("night/s", 1, false, "36").WaitTimeout(time.Second) && p.notice.Load() != nil
	})
	var notice struct {
		Data struct{ Link string }
	}
	if err := json.Unmarshal(*p.notice.Load(), &notice); err != nil || notice.Data.Link == "" {
		t.Fatalf("a notice without a link (%v): %s", err, *p.notice.Load())
	}
	eventually(t, "pages show what the notice tells", time.Minute, func() bool {
		answer, err := http.Get(notice.Data.Link)
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
	page := ""
	eventually(t, "the page of the link shows that the alarm waits for somebody", time.Minute, func() bool {
		page = follow(t, notice.Data.Link)
		return strings.Contains(page, "waiting for somebody") && !strings.Contains(page, "has it")
	})
	form := url.Values{"who": {"Ines"}, "condition": {"heat"}, "room": {"nursery"}, "subject": {""}, "back": {"/alarms"}}
	if !strings.Contains(page, `action="/alarms/acknowledge"`) || !strings.Contains(page, `name="who"`) {
		t.Fatalf("the page of the link has no form to take the alarm on by name:\n%s", page)
	}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+pages+"/alarms/acknowledge", strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	// As a browser says from where a form is sent.
	request.Header.Set("Origin", "http://"+pages)
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		t.Fatalf("the form is answered with %s", answer.Status)
	}
	has := regexp.MustCompile(`Ines has it since [012]\d:[0-5]\d`)
	eventually(t, "the page says who has it since when", time.Minute, func() bool { return has.MatchString(follow(t, notice.Data.Link)) })
	var list []struct {
		Key            struct{ Condition string }
		State          string
		Acknowledged   time.Time
		AcknowledgedBy string `json:"acknowledged_by"`
	}
	if !s.get("/api/v1/alarms", &list) {
		t.Fatal("no alarms")
	}
	for _, a := range list {
		if a.Key.Condition == "heat" && (a.State != "acknowledged" || a.AcknowledgedBy != "Ines" || time.Since(a.Acknowledged) > time.Minute) {
			t.Errorf("the API says %+v", a)
		}
	}
}

// follow fetches a page by its address.
func follow(t *testing.T, address string) string {
	t.Helper()
	answer, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v", address, answer.Status, err)
	}
	return string(body)
}
