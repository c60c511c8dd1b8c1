package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"

	"rearguard/cmd/internal/cli"
	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/broker/brokertest"
)

// siteConfig is a facility of one room with a sensor of each payload. The
// first placeholder is the broker's address, the second that of the pages.
const siteConfig = `
facility: {name: Bad input, timezone: UTC}
records: {path: site.db}
broker: {address: "tcp://127.0.0.1:%d", client_id: bad-input, availability_topic: bad/rearguard%s}
web: {listen: "%s"}
rooms: [{id: nursery}]
sensors:
  - id: timed
    room: nursery
    interval: 60s
    inputs:
      - topic: bad/timed
        format: json
        time: {at: /ts, unit: ms}
        values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: "%%"}]
  - id: plain
    room: nursery
    interval: 60s
    inputs:
      - {topic: bad/temperature, format: plain, values: [{quantity: temperature, unit: °C}]}
      - {topic: bad/humidity, format: plain, values: [{quantity: humidity, unit: "%%"}]}
`

// site is a running daemon on siteConfig with its own folder.
type site struct {
	*daemonProcess
	dir string
}

// newSite starts a daemon; login is appended to the broker's settings.
func newSite(t *testing.T, brokerPort int, login string) *site {
	t.Helper()
	dir := t.TempDir()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(dir, "facility.yaml")
	if err := os.WriteFile(config, fmt.Appendf(nil, siteConfig, brokerPort, login, pages), 0o600); err != nil {
		t.Fatal(err)
	}
	return &site{&daemonProcess{t: t, config: config, pages: pages}, dir}
}

// run starts the daemon and ends it with the test.
func (s *site) run() {
	s.t.Helper()
	s.start()
	s.t.Cleanup(func() { s.end(syscall.SIGTERM) })
}

// awaitReady waits until readings can arrive and be kept.
func (s *site) awaitReady() {
	s.t.Helper()
	eventually(s.t, "ready", time.Minute, func() bool { return s.get("/readyz", nil) })
}

// awaitUnready waits until /readyz says no, with a reason that holds all the
// words.
func (s *site) awaitUnready(words ...string) {
	s.t.Helper()
	eventually(s.t, fmt.Sprintf("/readyz says no and %q", words), time.Minute, func() bool {
		answer, err := http.Get("http://" + s.pages + "/readyz")
		if err != nil {
			return false
		}
		defer answer.Body.Close()
		var ready struct{ Reasons []string }
		if answer.StatusCode != http.StatusServiceUnavailable || json.NewDecoder(answer.Body).Decode(&ready) != nil {
			return false
		}
		text := strings.Join(ready.Reasons, "\n")
		return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(text, w) })
	})
	if !s.get("/healthz", nil) {
		s.t.Error("/healthz is not good while the process is")
	}
}

// stored returns the raw values of every reading that is not timed by its
// arrival, by sensor, quantity and time, and the others as a list.
func (s *site) stored() (timed map[string]float64, plain []float64) {
	s.t.Helper()
	reader, err := records.OpenReader(s.t.Context(), filepath.Join(s.dir, "site.db"))
	if err != nil {
		s.t.Fatal(err)
	}
	defer reader.Close()
	timed = make(map[string]float64)
	for r, err := range reader.Scan(s.t.Context(), nil, time.Time{}, past.FarFuture()) {
		if err != nil {
			s.t.Fatal(err)
		}
		if r.Sensor == "plain" {
			plain = append(plain, r.Raw)
			continue
		}
		timed[timedKey(r.Quantity, r.Time)] = r.Raw
	}
	return timed, plain
}

func timedKey(q sensors.Quantity, at time.Time) string {
	return fmt.Sprintf("%s@%d", q, at.UnixMilli())
}

// client connects to a broker as a sensor would.
func client(t *testing.T, url string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("bad-sensors"))
	if token := c.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("connect: %v", token.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func publish(t *testing.T, c mqtt.Client, topic string, payload []byte) {
	t.Helper()
	if token := c.Publish(topic, 1, false, payload); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("publish on %s: %v", topic, token.Error())
	}
}

// goodReadings publishes a few readings and returns what must be stored.
func goodReadings(t *testing.T, c mqtt.Client, begin time.Time, want map[string]float64) {
	t.Helper()
	for i := range 5 {
		at := begin.Add(time.Duration(i) * time.Second).Truncate(time.Millisecond)
		temperature, humidity := 24+float64(i)/10, 60+float64(i)
		publish(t, c, "bad/timed", fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":%g}`, at.UnixMilli(), temperature, humidity))
		want[timedKey(sensors.Temperature, at)], want[timedKey(sensors.RelativeHumidity, at)] = temperature, humidity
	}
}

// awaitStored waits until exactly the wanted timed readings are stored.
func (s *site) awaitStored(want map[string]float64) {
	s.t.Helper()
	var got map[string]float64
	eventually(s.t, "readings stored", time.Minute, func() bool {
		got, _ = s.stored()
		return len(got) >= len(want)
	})
	if diff := cmp.Diff(want, got); diff != "" {
		s.t.Errorf("stored readings (-want +got):\n%s", diff)
	}
}

// rejected is one message as /api/v1/messages/rejected lists it.
type rejected struct {
	Topic, Outcome, Reason, Excerpt string
}

func TestComplaint09BadPayloadsAreNamedAndStopNothing(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	s := newSite(t, m.Port, "")
	s.run()
	s.awaitReady()
	c := client(t, m.URL())

	want := make(map[string]float64)
	now := time.Now().UTC().Truncate(time.Millisecond)
	goodReadings(t, c, now.Add(-time.Hour), want)
	publish(t, c, "bad/temperature", []byte("24.5"))

	bad := []struct {
		topic   string
		payload string
		outcome string
		words   string
	}{
		{"bad/temperature", "NaN", "undecodable", "NaN"},
		{"bad/temperature", "Infinity", "undecodable", "Infinity"},
		{"bad/temperature", "1e999", "undecodable", "1e999"},
		{"bad/temperature", `"unavailable"`, "undecodable", "unavailable"},
		{"bad/temperature", "unavailable", "undecodable", "unavailable"},
		{"bad/temperature", "\xff\xfe24.5", "undecodable", "UTF-8"},
		{"bad/temperature", "ON", "undecodable", "ON"},
		{"bad/timed", `{"ts":` + fmt.Sprint(now.UnixMilli()+3) + `,"t":true,"h":"OFF"}`, "undecodable", "true"},
		{"bad/temperature", strings.Repeat("\x00", 1<<20), "oversize", "1048576 bytes"},
		{"bad/timed", `{"ts":` + fmt.Sprint(now.UnixMilli()) + `,"t":NaN,"h":60}`, "undecodable", `temperature at "/t": NaN is not a number`},
		{"bad/timed", `{"ts":` + fmt.Sprint(now.UnixMilli()+1) + `,"t":1e999,"h":1e999}`, "undecodable", "1e999"},
		{"bad/timed", `{"ts":` + fmt.Sprint(now.UnixMilli()+2) + `,"t":"unavailable","h":null}`, "undecodable", "unavailable"},
		{"bad/timed", "{\"ts\":1,\"t\":\"\xff\xfe\"}", "undecodable", "UTF-8"},
		{"bad/timed", strings.Repeat("\x00", 1<<20), "oversize", "1048576 bytes"},
		{"bad/timed", strings.Repeat("0", 1<<20), "oversize", "1048576 bytes"},
		{"bad/timed", `{"ts":1000,"t":24,"h":60}`, "ancient", "1970-01-01T00:00:01Z"},
		{"bad/timed", `{"ts":0,"t":24,"h":60}`, "ancient", "1970-01-01T00:00:00Z"},
	}
	for _, b := range bad {
		publish(t, c, b.topic, []byte(b.payload))
	}
	// One bad value does not spoil the good one beside it.
	want[timedKey(sensors.RelativeHumidity, now)] = 60
	// An empty message is how a retained one is deleted: counted, no fault.
	publish(t, c, "bad/temperature", nil)
	publish(t, c, "bad/timed", nil)
	publish(t, c, "bad/humidity", []byte("-5"))

	publish(t, c, "bad/temperature", []byte("24.6"))
	goodReadings(t, c, now.Add(-5*time.Second), want)
	s.awaitStored(want)

	var list []rejected
	eventually(t, "every bad message listed", time.Minute, func() bool {
		list = nil
		return s.get("/api/v1/messages/rejected", &list) && len(list) >= len(bad)
	})
	for _, b := range bad {
		i := slices.IndexFunc(list, func(r rejected) bool {
			return r.Topic == b.topic && r.Outcome == b.outcome && strings.Contains(r.Reason, b.words)
		})
		if i < 0 {
			t.Errorf("%s %.40q: no message with outcome %s and the words %q; have\n%+v", b.topic, b.payload, b.outcome, b.words, list)
			continue
		}
		t.Logf("%-16s %-12.12q %s: %s", b.topic, b.payload, list[i].Outcome, list[i].Reason)
	}

	// A number on a plain topic is a reading, and an impossible one is kept
	// as it came, for people to see; it is not believed.
	if _, plain := s.stored(); !cmp.Equal(plain, []float64{24.5, -5, 24.6}) && !cmp.Equal(plain, []float64{24.5, 24.6, -5}) {
		t.Errorf("plain readings %v, want 24.5, 24.6 and -5", plain)
	}
	s.wantDisbelieved()
	var counts struct {
		Messages []struct {
			Outcome string
			Count   int
		} `json:"messages"`
	}
	if !s.get("/api/v1/facility", &counts) {
		t.Fatal("no facility")
	}
	got := make(map[string]int)
	for _, m := range counts.Messages {
		got[m.Outcome] = m.Count
	}
	if diff := cmp.Diff(map[string]int{"stored": 14, "undecodable": 11, "oversize": 3, "ancient": 2, "empty": 2}, got); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
}

// wantDisbelieved shows that the humidity of -5 % of the sensor plain is shown
// as it came, marked as not used, and reaches neither the room nor the
// metrics.
func (s *site) wantDisbelieved() {
	s.t.Helper()
	var sensor struct{ Quality string }
	if !s.get("/api/v1/sensors/plain", &sensor) || sensor.Quality != "fail" {
		s.t.Errorf("quality of a sensor with a humidity of -5 %%: %q, want fail", sensor.Quality)
	}
	if page := s.text("/sensors/plain"); !strings.Contains(page, "−5") || !strings.Contains(page, "not used") {
		s.t.Errorf("the sensor's page does not say that its humidity is not used:\n%s", page)
	}
	var room struct {
		Driest float64 `json:"driest_ratio"`
	}
	if !s.get("/api/v1/rooms/nursery", &room) || room.Driest < 0.6 || room.Driest > 0.65 {
		s.t.Errorf("driest air of the room %v, want that of the good sensor", room.Driest)
	}
	const series = `rearguard_sensor_relative_humidity_ratio{room="nursery",sensor=`
	if text := s.text("/metrics"); strings.Contains(text, series+`"plain"}`) || !strings.Contains(text, series+`"timed"}`) {
		s.t.Errorf("metrics hold the humidity of -5 %%, or lack the good one:\n%s", text)
	}
}

// text fetches a path of the pages.
func (s *site) text(path string) string {
	s.t.Helper()
	answer, err := http.Get("http://" + s.pages + path)
	if err != nil {
		s.t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(body)
}

func TestComplaint08BrokerMissingAtStart(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Stopped: true})
	s := newSite(t, m.Port, "")
	s.run()
	s.awaitUnready("the broker link is down", fmt.Sprintf("Nothing listens at 127.0.0.1:%d", m.Port), "Start the broker")
	eventually(t, "the log says so", time.Minute, func() bool { return strings.Contains(s.log.String(), "Nothing listens at") })
	m.Launch()
	s.awaitReady()
	want := make(map[string]float64)
	goodReadings(t, client(t, m.URL()), time.Now().UTC().Add(-time.Minute), want)
	s.awaitStored(want)
}

func TestWrongPassword(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{Users: map[string]string{"rearguard": "the right one", "sensor": "s"}})
	s := newSite(t, m.Port, ", username: rearguard, password_file: password")
	password := filepath.Join(s.dir, "password")
	if err := os.WriteFile(password, []byte("a wrong one\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.run()
	s.awaitUnready("refuses the login", `"rearguard"`, "Check the user name and the password")
	if text := s.log.String(); strings.Contains(text, "a wrong one") {
		t.Errorf("the log holds the password:\n%s", text)
	}
	// Somebody corrects the file; no restart is needed.
	if err := os.WriteFile(password, []byte("the right one\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.awaitReady()
	options := mqtt.NewClientOptions().AddBroker(m.URL()).SetClientID("sensor").SetUsername("sensor").SetPassword("s")
	c := mqtt.NewClient(options)
	if token := c.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	defer c.Disconnect(100)
	want := make(map[string]float64)
	goodReadings(t, c, time.Now().UTC().Add(-time.Minute), want)
	s.awaitStored(want)
}

func TestSecondInstance(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	first := newSite(t, m.Port, "")
	first.run()
	first.awaitReady()

	second := newSite(t, m.Port, "")
	text, err := os.ReadFile(second.config)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.ReplaceAll(text, []byte("site.db"), []byte(filepath.Join(first.dir, "site.db")))
	if err := os.WriteFile(second.config, text, 0o600); err != nil {
		t.Fatal(err)
	}
	wantFailure(t, second, "in use by another process", "stop the other instance")

	want := make(map[string]float64)
	goodReadings(t, client(t, m.URL()), time.Now().UTC().Add(-time.Minute), want)
	first.awaitStored(want)
}

// wantFailure runs a daemon that must end by itself with exit status 1 and
// words on standard error.
func wantFailure(t *testing.T, s *site, words ...string) {
	t.Helper()
	binary, err := program()
	if err != nil {
		t.Fatal(err)
	}
	wantFailureOf(t, exec.CommandContext(t.Context(), binary, "run", "--config", s.config), words...)
}

func wantFailureOf(t *testing.T, cmd *exec.Cmd, words ...string) {
	t.Helper()
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != cli.ExitFound {
		t.Fatalf("ended with %v, want exit status 1:\n%s", err, out)
	}
	for _, w := range words {
		if !bytes.Contains(out, []byte(w)) {
			t.Errorf("no word of %q in:\n%s", w, out)
		}
	}
	t.Logf("%s", bytes.TrimSpace(out))
}
