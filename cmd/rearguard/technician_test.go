package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/daemon/facility"
	"rearguard/dashboards/api"
	"rearguard/sensors/broker/brokertest"
)

var technicianShots = flag.String("technician-shots", "", "folder to keep pictures of the technician's session in")

// phone is a headless Chromium with the screen of a phone.
type phone struct {
	t   *testing.T
	ctx context.Context
}

func newPhone(t *testing.T) *phone {
	t.Helper()
	path := brokertest.Binary(t, "chromium")
	alloc, stop := chromedp.NewExecAllocator(t.Context(),
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("headless", true), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
	)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("chromium did not end by itself: %v", err)
		}
		cancel()
	})
	// The first call starts the browser and must not carry a deadline.
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	ctx, timeout := context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(timeout)
	p := &phone{t, ctx}
	p.do(chromedp.EmulateViewport(360, 780))
	return p
}

func (p *phone) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, steps...); err != nil {
		p.t.Fatalf("%v\n%s", err, p.text())
	}
}

// text is what the page says.
func (p *phone) text() string {
	text, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](`document.location.pathname + "\n" + document.body.innerText`))
	if err != nil {
		return err.Error()
	}
	return text
}

// until waits for a condition in the page.
func (p *phone) until(js string) {
	p.t.Helper()
	look := chromedp.Evaluate[bool](`new Promise((r) => setTimeout(() => r(Boolean(`+js+`)), 20))`, chromedp.EvalAwaitPromise)
	for {
		// A look that falls into a navigation fails; the next one will not.
		met, err := chromedp.Run(p.ctx, look)
		if met {
			return
		}
		if p.ctx.Err() != nil {
			p.t.Fatalf("waited in vain for %.100s: %v", js, err)
		}
	}
}

func (p *phone) says(text string) {
	p.t.Helper()
	p.until(fmt.Sprintf(`document.body.innerText.includes(%q)`, text))
}

func (p *phone) tap(selector string) {
	p.t.Helper()
	p.do(chromedp.Click(chromedp.CSS(selector)))
}

// choose sets a list or a field to a value, as a person's choice does.
func (p *phone) choose(selector, value string) {
	p.t.Helper()
	set, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](fmt.Sprintf(
		`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("change", {bubbles: true})); return e.value; })()`, selector, value)))
	if err != nil || set != value {
		p.t.Fatalf("choose %s: it is %q, want %q: %v", selector, set, value, err)
	}
}

// shot keeps a picture of the page, at phone and desk width.
func (p *phone) shot(name string) {
	p.t.Helper()
	if *technicianShots == "" {
		return
	}
	for _, width := range []int64{1280, 360} {
		p.do(chromedp.EmulateViewport(width, 780))
		picture, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
		if err == nil {
			err = os.WriteFile(filepath.Join(*technicianShots, fmt.Sprintf("%s-%d.png", name, width)), picture, 0o600)
		}
		if err != nil {
			p.t.Fatal(err)
		}
	}
}

// device is a sensor with an account of its own at the broker.
type device struct {
	t      *testing.T
	name   string
	client mqtt.Client
}

func newDevice(t *testing.T, broker *brokertest.Mosquitto, name string) *device {
	t.Helper()
	roots, err := facility.Authorities(broker.CAFile)
	if err != nil {
		t.Fatal(err)
	}
	settings := &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(fmt.Sprintf("tls://localhost:%d", broker.Port)).
		SetClientID(name).SetUsername(name).SetPassword("pw-" + name).SetTLSConfig(settings).SetAutoReconnect(false))
	if err := mqtt.WaitTokenTimeout(client.Connect(), 10*time.Second); err != nil {
		t.Fatalf("device %s: %v", name, err)
	}
	t.Cleanup(func() { client.Disconnect(50) })
	return &device{t, name, client}
}

func (d *device) say(topic string, at time.Time, celsius, percent float64) {
	body := fmt.Sprintf(`{"ts":%d,"temperature":%.2f,"humidity":%.1f,"battery":97}`, at.UnixMilli(), celsius, percent)
	if err := mqtt.WaitTokenTimeout(d.client.Publish(topic, 1, false, body), 10*time.Second); err != nil {
		d.t.Fatalf("device %s: %v", d.name, err)
	}
}

// every has the devices report once a while until stop is called.
func every(pace time.Duration, report func(n int)) (stop func()) {
	quit, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		ticker := time.NewTicker(pace)
		defer ticker.Stop()
		for n := 0; ; n++ {
			report(n)
			select {
			case <-quit:
				return
			case <-ticker.C:
			}
		}
	}()
	return func() { close(quit); <-done }
}

const technicianConfig = `# The farm's own notes stay where they are.
facility: {name: Ladder farm, timezone: UTC}
records: {path: ladder.db}
broker:
  address: %q # TLS only
  client_id: rearguard
  username: rearguard
  password_file: password
  ca_file: %q
  discover: ["sensors/#"]
web: {listen: %q}
ingest: {future_tolerance: 2h} # the devices of this test run ahead
rooms:
  - {id: nursery, name: Nursery}
  - {id: hall, name: Hall}
sensors:
  # the old one, by the door
  - id: nursery-door
    room: nursery
    inputs:
      - {topic: sensors/nursery-door, format: json, time: {at: /ts, unit: ms}, values: [{quantity: temperature, at: /temperature, unit: °C}]}

people: [] # nobody yet
`

// A technician's whole way with a new sensor, on a phone, against the real
// program and a real broker with TLS, accounts and the access rules that are
// deployed: power it up, find it among others, claim it, calibrate it at the
// ice point, print the certificate.
func TestTechnicianFromUnknownTopicToCalibratedSensor(t *testing.T) {
	acl, err := os.ReadFile("../../deploy/mosquitto/acl")
	if err != nil {
		t.Fatal(err)
	}
	names := []string{"rearguard", "nursery-door", "hall-1", "hall-2", "tent-9"}
	users := map[string]string{}
	for _, name := range names {
		users[name] = "pw-" + name
	}
	broker := brokertest.Start(t, brokertest.Options{TLS: true, Users: users, ACL: string(acl)})
	dir := t.TempDir()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(dir, "facility.yaml")
	text := fmt.Sprintf(technicianConfig, fmt.Sprintf("tls://localhost:%d", broker.Port), broker.CAFile, pages)
	for name, content := range map[string]string{config: text, filepath.Join(dir, "password"): "pw-rearguard\n"} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	d := &daemonProcess{t: t, config: config, pages: pages}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGTERM) })
	eventually(t, "link to the broker", 30*time.Second, func() bool {
		var state api.State
		return d.get("/api/v1/facility", &state) && state.Broker.Subscribed
	})
	p := newPhone(t)
	base := "http://" + pages

	// Three unknown devices report; tent-9 also tries to speak for another.
	devices := map[string]*device{}
	for _, name := range names[2:] {
		devices[name] = newDevice(t, broker, name)
	}
	powerUp := time.Now()
	warm := make(chan float64, 1)
	warmth := 0.0
	stop := every(1100*time.Millisecond, func(n int) {
		select {
		case warmth = <-warm:
		default:
		}
		for i, name := range names[2:] {
			celsius := 21 + float64(i) + 0.02*math.Sin(float64(7*n+i))
			if name == "hall-2" {
				celsius += warmth
				warmth *= 1.4
			}
			devices[name].say("sensors/"+name+"/air", time.Now(), celsius, 60+float64(i))
		}
		devices["tent-9"].say("sensors/nursery-door/air", time.Now(), 99, 99)
	})
	p.do(chromedp.Navigate(base + "/technician"))
	p.says("sensors/hall-2/air")
	p.says("temperature 2")
	p.shot("technician")

	p.tap(".do-find button")
	p.until(`document.location.pathname.startsWith("/technician/find/")`)
	warm <- 0.8
	p.until(`document.querySelector("#marked") && document.querySelector("#marked").innerText === "sensors/hall-2/air"`)
	p.shot("find")
	p.tap(".is-marked a.primary")
	p.until(`document.querySelector("form[action='/technician/claim']")`)
	p.shot("claim")
	p.choose("input[name=id]", "hall-window")
	p.choose("select[name=room]", "room:hall")
	p.do(chromedp.SendKeys(chromedp.CSS("input[name=position]"), "shelf 2, window"), chromedp.SendKeys(chromedp.CSS("input[name=who]"), "Ana"))
	p.tap("form[action='/technician/claim'] button")
	p.says("Claimed.")
	p.says("Newest values")
	var hall api.Sensor
	eventually(t, "a reading of the claimed sensor", 20*time.Second, func() bool {
		return d.get("/api/v1/sensors/hall-window", &hall) && hall.Temperature != nil && hall.Humidity != nil
	})
	took := time.Since(powerUp)
	t.Logf("from power-up to a reading of the claimed sensor: %v", took.Round(100*time.Millisecond))
	if took > 2*time.Minute {
		t.Errorf("it took %v, more than two minutes", took)
	}
	stop()
	p.shot("sensor")

	// The file has the sensor and everything it had before.
	written, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(text, "\n") {
		if !strings.Contains(string(written), line) {
			t.Errorf("the file lost the line %q", line)
		}
	}
	binary, err := program()
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(binary, "check", "--config", config).CombinedOutput(); err != nil || !strings.Contains(string(out), "2 sensors") {
		t.Errorf("check: %v\n%s", err, out)
	}
	// The rest is still unclaimed; what tent-9 said for another never came.
	out, err := exec.Command(binary, "sensors", "--unclaimed", "--json", "--config", config).Output()
	var topics []api.Unclaimed
	if err == nil {
		err = json.Unmarshal(out, &topics)
	}
	if err != nil || len(topics) != 2 || topics[0].Topic != "sensors/hall-1/air" || topics[1].Topic != "sensors/tent-9/air" {
		t.Fatalf("sensors --unclaimed: %v\n%s", err, out)
	}
	if u := topics[0]; u.Format != "json" || u.Messages < 3 || u.Fields[0].Quantity != "temperature" || u.Fields[0].Unit != "°C" || len(u.Payloads) == 0 || u.Interval == nil {
		t.Errorf("unclaimed topic: %+v", u)
	}

	// The bench: too early it says for what to wait, then it reads.
	p.do(chromedp.Navigate(base + "/sensors/hall-window/bench"))
	p.shot("bench-start")
	p.tap("form[action$='/bench/start'] button")
	p.says("waiting for the first reading")
	p.tap("#read button")
	p.says("has not settled")
	onBench := time.Now().Add(time.Minute)
	for n := range 30 {
		// Two minutes of cooling, then ice; the sensor shows 0.4 °C in it.
		celsius := 0.4
		if n < 6 {
			celsius = 20 - 3*float64(n)
		}
		devices["hall-2"].say("sensors/hall-2/air", onBench.Add(time.Duration(n)*30*time.Second), celsius, 60)
	}
	p.until(`document.querySelector("#verdict").innerText === "Read now"`)
	p.shot("bench-ready")
	p.choose("select[name=kind]", "ice")
	p.tap("#read button")
	p.says("Put the correction into force")
	p.says("ice point")
	p.shot("bench-result")
	p.tap("form[action$='/bench/finish'] button")
	p.says("Calibrated.")

	var list []api.Calibration
	if !d.get("/api/v1/calibrations", &list) || len(list) != 1 || list[0].OffsetC == nil || math.Abs(*list[0].OffsetC+0.4) > 1e-9 || list[0].By != "Ana" {
		t.Fatalf("calibrations: %+v", list)
	}
	p.do(chromedp.Navigate(base + "/certificates/" + list[0].Number))
	p.says("Calibration certificate " + list[0].Number)
	p.says("ice point")
	p.shot("certificate")
	if printed, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`[...document.styleSheets].some((s) => [...s.cssRules].some((r) => r.media && r.media.mediaText === "print"))`)); err != nil || !printed {
		t.Errorf("no rules for printing: %v", err)
	}

	// Calibrated from now on, and after a restart.
	read := func(at time.Time) {
		t.Helper()
		eventually(t, "a calibrated reading", 20*time.Second, func() bool {
			devices["hall-2"].say("sensors/hall-2/air", at, 21.4, 60)
			var s api.Sensor
			at = at.Add(time.Second)
			return d.get("/api/v1/sensors/hall-window", &s) && s.Temperature != nil && math.Abs(*s.Temperature-21) < 1e-9
		})
	}
	read(onBench.Add(20 * time.Minute))
	p.do(chromedp.Navigate(base + "/sensors/hall-window/history?days=1"))
	p.says("hall-window")
	p.shot("history")
	d.end(syscall.SIGTERM)
	d.start()
	eventually(t, "link after the restart", 30*time.Second, func() bool {
		var state api.State
		return d.get("/api/v1/facility", &state) && state.Broker.Subscribed
	})
	read(onBench.Add(25 * time.Minute))
}
