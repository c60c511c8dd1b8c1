package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/alerts"
	"rearguard/daemon/lookback"
	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/sensors/broker/brokertest"
)

// killedPhone stands for a phone: it counts what it is told, by message id.
type killedPhone struct {
	mu   sync.Mutex
	seen map[string]int
}

func (p *killedPhone) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seen[r.Header.Get("webhook-id")+" "+string(body)]++
}

func (p *killedPhone) told(word string) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := 0
	for text := range p.seen {
		if strings.Contains(text, word) {
			n++
		}
	}
	return n
}

// A real process is killed with SIGKILL at random moments while a room
// overheats and people act. After each start every alarm is in the state in
// which it was left, whoever is shelved stays silent, and the audit is that of
// one alarm that was raised once.
func TestKilledDaemonKeepsItsAlarms(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute; run without -short")
	}
	m := brokertest.Start(t, brokertest.Options{})
	phone := &killedPhone{seen: map[string]int{}}
	hook := httptest.NewServer(phone)
	defer hook.Close()
	t.Setenv("REARGUARD_KILL_SECRET", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	dir := t.TempDir()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(dir, "facility.yaml")
	text := fmt.Sprintf(`
facility: {name: Kill test, timezone: UTC}
records: {path: alarms.db, synchronous: normal}
broker: {address: %q, client_id: kill-alarms}
web: {listen: %q}
rooms: [{id: nursery, limits: {heat_celsius: 30}}]
sensors: [{id: s, room: nursery, interval: 60s, inputs: [{topic: kill/s, format: json, values: [{quantity: temperature, at: /t, unit: °C}]}]}]
people: [{id: lead, name: Lead}]
channels: [{id: phone, kind: webhook, url: %q, secret_env: REARGUARD_KILL_SECRET}]
roster: [{who: [lead], channels: [phone], priorities: [low, medium, high, critical]}]
alarms: {heat: {on_delay: 1s, off_delay: 2s}}
incidents: {settle: 0s}
`, fmt.Sprintf("tcp://127.0.0.1:%d", m.Port), pages, hook.URL)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	d := &daemonProcess{t: t, config: config, pages: pages}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGKILL) })
	ready := func() { eventually(t, "ready", time.Minute, func() bool { return d.get("/readyz", nil) }) }
	ready()

	milli, fed := feed(t, m.URL(), 25_000)
	post(t, pages, "/api/v1/cohorts", `{"who":"keeper","id":"c","species":"danaus-plexippus","start_stage":"larva-3","individuals":50,"room":"nursery"}`)
	rng := rand.New(rand.NewPCG(3, 5))
	kill := func() {
		// Anywhere between two commits, or within one.
		enough := fed.Load() + int64(rng.IntN(5))
		eventually(t, "some more readings", time.Minute, func() bool { return fed.Load() >= enough })
		d.end(syscall.SIGKILL)
		d.start()
		ready()
	}
	heat := func() string { return heatState(d) }
	state := func(want string) {
		t.Helper()
		eventually(t, "heat is "+want, 90*time.Second, func() bool { return heat() == want })
	}

	milli.Store(36_000)
	state("unacknowledged")
	for range 3 {
		kill()
		state("unacknowledged")
	}
	post(t, pages, "/api/v1/alarms/acknowledge", `{"who":"lead","key":{"condition":"heat","room":"nursery","subject":""}}`)
	state("acknowledged")
	for range 2 {
		kill()
		state("acknowledged")
	}
	post(t, pages, "/api/v1/alarms/shelve", `{"who":"lead","key":{"condition":"heat","room":"nursery","subject":""},"for_seconds":3600,"reason":"moving shelves"}`)
	state("shelved")
	eventually(t, "the phone has been told of the heat", time.Minute, func() bool { return phone.told(`"condition":"heat"`) > 0 })
	before := phone.told(`"alarm.raised"`) + phone.told(`"alarm.reminder"`)
	for range 2 {
		kill()
		state("shelved")
	}
	if now := phone.told(`"alarm.raised"`) + phone.told(`"alarm.reminder"`); now != before {
		t.Errorf("%d calls arrived while the alarm was shelved", now-before)
	}
	post(t, pages, "/api/v1/alarms/unshelve", `{"who":"lead","key":{"condition":"heat","room":"nursery","subject":""}}`)
	state("unacknowledged")
	kill()
	state("unacknowledged")
	milli.Store(25_000)
	state("returned")
	kill()
	state("returned")
	post(t, pages, "/api/v1/alarms/acknowledge", `{"who":"lead","key":{"condition":"heat","room":"nursery","subject":""}}`)
	state("")
	eventually(t, "the phone has been told of the end", time.Minute, func() bool { return phone.told(`"alarm.cleared"`)+phone.told(`"alarm.over"`) > 0 })
	d.end(syscall.SIGTERM)
	checkHeatAudit(t, filepath.Join(dir, "alarms.db"))
	phone.mu.Lock()
	defer phone.mu.Unlock()
	for text, times := range phone.seen {
		// At least once is the promise; the id tells a repetition.
		if times > 2 {
			t.Errorf("told %d times: %s", times, text)
		}
	}
}

// checkHeatAudit shows that the audit is of one occurrence, each step once and
// beginning where the one before it ended.
func checkHeatAudit(t *testing.T, path string) {
	t.Helper()
	reader, err := records.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	steps, err := reader.AlarmTransitions(t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	state, raised, calls := alerts.Normal, 0, 0
	for _, s := range steps {
		if s.Key.Condition != "heat" {
			continue
		}
		if s.From != state {
			t.Errorf("%s at %v goes from %s, but the alarm was %s: a step is lost or doubled", s.Event, s.Time, s.From, state)
		}
		state = s.To
		if s.Event == "raise" {
			raised++
		}
		if s.Annunciate {
			calls++
		}
	}
	if raised != 1 || calls != 2 || state != alerts.Normal {
		t.Errorf("raised %d times and called %d times, ends %s; want once, twice (raised, and after shelving) and normal: %+v", raised, calls, state, steps)
	}
	if list := lookback.Episodes(steps); len(list) == 0 || list[0].Cleared == nil {
		t.Errorf("episodes %+v", list)
	}
}

// heatState is the state of the alarm about heat, empty for normal.
func heatState(d *daemonProcess) string {
	var list []struct {
		Key struct {
			Condition string `json:"condition"`
		} `json:"key"`
		Condition string `json:"condition"`
		State     string `json:"state"`
	}
	if !d.get("/api/v1/alarms", &list) {
		return "?"
	}
	for _, a := range list {
		if a.Condition == "heat" || a.Key.Condition == "heat" {
			return a.State
		}
	}
	return ""
}

func post(t *testing.T, pages, path, body string) {
	t.Helper()
	answer, err := http.Post("http://"+pages+path, "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if answer.StatusCode >= 300 {
		why, _ := io.ReadAll(answer.Body)
		t.Fatalf("%s: %s %s", path, answer.Status, why)
	}
}

// feed publishes a temperature in thousandths of a °C, which can be changed, until
// the test ends, and counts how often it did.
func feed(t *testing.T, url string, first int64) (milli, fed *atomic.Int64) {
	t.Helper()
	milli, fed = new(atomic.Int64), new(atomic.Int64)
	milli.Store(first)
	stop := make(chan struct{})
	var feeding sync.WaitGroup
	feeding.Go(func() { feedTemperature(t, url, milli, fed, stop) })
	t.Cleanup(func() { close(stop); feeding.Wait() })
	return milli, fed
}

// feedTemperature publishes the temperature every 200 ms until stop.
func feedTemperature(t *testing.T, url string, milli, fed *atomic.Int64, stop <-chan struct{}) {
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("kill-alarms-feed"))
	if token := client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Errorf("connect: %v", token.Error())
		return
	}
	defer client.Disconnect(100)
	ticker := time.NewTicker(200 * time.Millisecond)
	defer ticker.Stop()
	for {
		select {
		case <-stop:
			return
		case <-ticker.C:
		}
		body, err := json.Marshal(map[string]float64{"t": float64(milli.Load()) / 1000})
		if err != nil {
			t.Error(err)
			return
		}
		client.Publish("kill/s", 1, false, body)
		fed.Add(1)
	}
}
