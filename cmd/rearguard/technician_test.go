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

// phone is a headless Chromium with the screen of a phone. The context that
// its calls want is that of its one page.
type phone struct{ t *testing.T }

func newPhone(t *testing.T) (context.Context, phone) {
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
	p := phone{t}
	p.do(ctx, chromedp.EmulateViewport(360, 780))
	return ctx, p
}

func (p phone) do(ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		p.t.Fatalf("%v\n%s", err, p.text(ctx))
	}
}

// text is what the page says.
func (p phone) text(ctx context.Context) string {
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.location.pathname + "\n" + document.body.innerText`))
	if err != nil {
		return err.Error()
	}
	return text
}

// until waits for a condition in the page.
func (p phone) until(ctx context.Context, js string) {
	p.t.Helper()
	look := chromedp.Evaluate[bool](`new Promise((r) => setTimeout(() => r(Boolean(`+js+`)), 20))`, chromedp.EvalAwaitPromise)
	for {
		// A look that falls into a navigation fails; the next one will not.
		met, err := chromedp.Run(ctx, look)
		if met {
			return
		}
		if ctx.Err() != nil {
			p.t.Fatalf("waited in vain for %.100s: %v", js, err)
		}
	}
}

func (p phone) says(ctx context.Context, text string) {
	p.t.Helper()
	p.until(ctx, fmt.Sprintf(`document.body.innerText.includes(%q)`, text))
}

func (p phone) tap(ctx context.Context, selector string) {
	p.t.Helper()
	p.do(ctx, chromedp.Click(chromedp.CSS(selector)))
}

// choose sets a list or a field to a value, as a person's choice does.
func (p phone) choose(ctx context.Context, selector, value string) {
	p.t.Helper()
	set, err := chromedp.Run(ctx, chromedp.Evaluate[string](fmt.Sprintf(
		`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("change", {bubbles: true})); return e.value; })()`, selector, value)))
	if err != nil || set != value {
		p.t.Fatalf("choose %s: it is %q, want %q: %v", selector, set, value, err)
	}
}

// shot keeps a picture of the page, at phone and desk width.
func (p phone) shot(ctx context.Context, name string) {
	p.t.Helper()
	if *technicianShots == "" {
		return
	}
	for _, width := range []int64{1280, 360} {
		p.do(ctx, chromedp.EmulateViewport(width, 780))
		picture, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
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

// ladderFarm is a facility on which a technician is at work: the real program
// and a real broker with TLS, accounts and the access rules that are deployed.
type ladderFarm struct {
	*daemonProcess
	base      string // of the addresses of pages
	before    string // what the configuration file said first
	newcomers []string
	devices   map[string]*device
	// warm makes hall-2 warmer from its next report on.
	warm chan float64
}

func newLadderFarm(t *testing.T) *ladderFarm {
	t.Helper()
	acl, err := os.ReadFile("../../deploy/mosquitto/acl")
	if err != nil {
		t.Fatal(err)
	}
	f := &ladderFarm{newcomers: []string{"hall-1", "hall-2", "tent-9"}, devices: map[string]*device{}, warm: make(chan float64, 1)}
	users := map[string]string{}
	for _, name := range append([]string{"rearguard", "nursery-door"}, f.newcomers...) {
		users[name] = "pw-" + name
	}
	broker := brokertest.Start(t, brokertest.Options{TLS: true, Users: users, ACL: string(acl)})
	dir := t.TempDir()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(dir, "facility.yaml")
	f.base = "http://" + pages
	f.before = fmt.Sprintf(technicianConfig, fmt.Sprintf("tls://localhost:%d", broker.Port), broker.CAFile, pages)
	for name, content := range map[string]string{config: f.before, filepath.Join(dir, "password"): "pw-rearguard\n"} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f.daemonProcess = &daemonProcess{t: t, config: config, pages: pages}
	f.start()
	t.Cleanup(func() { f.end(syscall.SIGTERM) })
	f.linked()
	for _, name := range f.newcomers {
		f.devices[name] = newDevice(t, broker, name)
	}
	return f
}

// linked waits until the program listens to the broker.
func (f *ladderFarm) linked() {
	f.t.Helper()
	eventually(f.t, "link to the broker", 30*time.Second, func() bool {
		var state api.State
		return f.get("/api/v1/facility", &state) && state.Broker.Subscribed
	})
}

// A technician's whole way with a new sensor, on a phone: power it up, find it
// among others, claim it, calibrate it at the ice point, print the certificate.
func TestTechnicianFromUnknownTopicToCalibratedSensor(t *testing.T) {
	f := newLadderFarm(t)
	ctx, p := newPhone(t)

	powerUp := time.Now()
	stop := f.powerUp()
	f.find(ctx, p)
	f.claim(ctx, p)
	took := time.Since(powerUp)
	t.Logf("from power-up to a reading of the claimed sensor: %v", took.Round(100*time.Millisecond))
	if took > 2*time.Minute {
		t.Errorf("it took %v, more than two minutes", took)
	}
	stop()
	p.shot(ctx, "sensor")
	f.fileHasBoth()
	f.othersStayUnclaimed()

	onBench := f.calibrate(ctx, p)
	f.certify(ctx, p)
	f.readsCalibrated(onBench.Add(20 * time.Minute))
	p.do(ctx, chromedp.Navigate(f.base+"/sensors/hall-window/history?days=1"))
	p.says(ctx, "hall-window")
	p.shot(ctx, "history")
	f.end(syscall.SIGTERM)
	f.start()
	f.linked()
	f.readsCalibrated(onBench.Add(25 * time.Minute))
}

// powerUp has three unknown devices report until stop is called; tent-9 also
// tries to speak for another.
func (f *ladderFarm) powerUp() (stop func()) {
	warmth := 0.0
	return every(1100*time.Millisecond, func(n int) {
		select {
		case warmth = <-f.warm:
		default:
		}
		for i, name := range f.newcomers {
			celsius := 21 + float64(i) + 0.02*math.Sin(float64(7*n+i))
			if name == "hall-2" {
				celsius += warmth
				warmth *= 1.4
			}
			f.devices[name].say("sensors/"+name+"/air", time.Now(), celsius, 60+float64(i))
		}
		f.devices["tent-9"].say("sensors/nursery-door/air", time.Now(), 99, 99)
	})
}

// find finds hall-2 among the devices by the warmth of a hand.
func (f *ladderFarm) find(ctx context.Context, p phone) {
	f.t.Helper()
	p.do(ctx, chromedp.Navigate(f.base+"/technician"))
	p.says(ctx, "sensors/hall-2/air")
	p.says(ctx, "temperature 2")
	p.shot(ctx, "technician")
	p.tap(ctx, ".do-find button")
	p.until(ctx, `document.location.pathname.startsWith("/technician/find/")`)
	f.warm <- 0.8
	p.until(ctx, `document.querySelector("#marked") && document.querySelector("#marked").innerText === "sensors/hall-2/air"`)
	p.shot(ctx, "find")
}

// claim makes the device found the sensor hall-window and waits for a reading.
func (f *ladderFarm) claim(ctx context.Context, p phone) {
	f.t.Helper()
	p.tap(ctx, ".is-marked a.primary")
	p.until(ctx, `document.querySelector("form[action='/technician/claim']")`)
	p.shot(ctx, "claim")
	p.choose(ctx, "input[name=id]", "hall-window")
	p.choose(ctx, "select[name=room]", "room:hall")
	p.do(ctx, chromedp.SendKeys(chromedp.CSS("input[name=position]"), "shelf 2, window"), chromedp.SendKeys(chromedp.CSS("input[name=who]"), "Ana"))
	p.tap(ctx, "form[action='/technician/claim'] button")
	p.says(ctx, "Claimed.")
	p.says(ctx, "Newest values")
	eventually(f.t, "a reading of the claimed sensor", 20*time.Second, func() bool {
		var hall api.Sensor
		return f.get("/api/v1/sensors/hall-window", &hall) && hall.Temperature != nil && hall.Humidity != nil
	})
}

// fileHasBoth checks that the file has the sensor and everything it had before.
func (f *ladderFarm) fileHasBoth() {
	f.t.Helper()
	written, err := os.ReadFile(f.config)
	if err != nil {
		f.t.Fatal(err)
	}
	for _, line := range strings.Split(f.before, "\n") {
		if !strings.Contains(string(written), line) {
			f.t.Errorf("the file lost the line %q", line)
		}
	}
	binary, err := program()
	if err != nil {
		f.t.Fatal(err)
	}
	if out, err := exec.Command(binary, "check", "--config", f.config).CombinedOutput(); err != nil || !strings.Contains(string(out), "2 sensors") {
		f.t.Errorf("check: %v\n%s", err, out)
	}
}

// othersStayUnclaimed checks that the rest is still unclaimed, and that what
// tent-9 said for another never came.
func (f *ladderFarm) othersStayUnclaimed() {
	f.t.Helper()
	binary, err := program()
	if err != nil {
		f.t.Fatal(err)
	}
	out, err := exec.Command(binary, "sensors", "--unclaimed", "--json", "--config", f.config).Output()
	var topics []api.Unclaimed
	if err == nil {
		err = json.Unmarshal(out, &topics)
	}
	if err != nil || len(topics) != 2 || topics[0].Topic != "sensors/hall-1/air" || topics[1].Topic != "sensors/tent-9/air" {
		f.t.Fatalf("sensors --unclaimed: %v\n%s", err, out)
	}
	if u := topics[0]; u.Format != "json" || u.Messages < 3 || u.Fields[0].Quantity != "temperature" || u.Fields[0].Unit != "°C" || len(u.Payloads) == 0 || u.Interval == nil {
		f.t.Errorf("unclaimed topic: %+v", u)
	}
}

// calibrate puts the sensor into ice, reads too early and is told for what to
// wait, then reads and puts the correction into force. It returns when the
// sensor's clock said that it came onto the bench.
func (f *ladderFarm) calibrate(ctx context.Context, p phone) (onBench time.Time) {
	f.t.Helper()
	p.do(ctx, chromedp.Navigate(f.base+"/sensors/hall-window/bench"))
	p.shot(ctx, "bench-start")
	p.tap(ctx, "form[action$='/bench/start'] button")
	p.says(ctx, "waiting for the first reading")
	p.tap(ctx, "#read button")
	p.says(ctx, "has not settled")
	onBench = time.Now().Add(time.Minute)
	for n := range 30 {
		// Two minutes of cooling, then ice; the sensor shows 0.4 °C in it.
		celsius := 0.4
		if n < 6 {
			celsius = 20 - 3*float64(n)
		}
		f.devices["hall-2"].say("sensors/hall-2/air", onBench.Add(time.Duration(n)*30*time.Second), celsius, 60)
	}
	p.until(ctx, `document.querySelector("#verdict").innerText === "Read now"`)
	p.shot(ctx, "bench-ready")
	p.choose(ctx, "select[name=kind]", "ice")
	p.tap(ctx, "#read button")
	p.says(ctx, "Put the correction into force")
	p.says(ctx, "ice point")
	p.shot(ctx, "bench-result")
	p.tap(ctx, "form[action$='/bench/finish'] button")
	p.says(ctx, "Calibrated.")
	return onBench
}

// certify looks at the certificate of the calibration, which can be printed.
func (f *ladderFarm) certify(ctx context.Context, p phone) {
	f.t.Helper()
	var list []api.Calibration
	if !f.get("/api/v1/calibrations", &list) || len(list) != 1 || list[0].OffsetC == nil || math.Abs(*list[0].OffsetC+0.4) > 1e-9 || list[0].By != "Ana" {
		f.t.Fatalf("calibrations: %+v", list)
	}
	p.do(ctx, chromedp.Navigate(f.base+"/certificates/"+list[0].Number))
	p.says(ctx, "Calibration certificate "+list[0].Number)
	p.says(ctx, "ice point")
	p.shot(ctx, "certificate")
	if printed, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`[...document.styleSheets].some((s) => [...s.cssRules].some((r) => r.media && r.media.mediaText === "print"))`)); err != nil || !printed {
		f.t.Errorf("no rules for printing: %v", err)
	}
}

// readsCalibrated has the sensor report from a time on until the program shows
// what it reports with the correction.
func (f *ladderFarm) readsCalibrated(at time.Time) {
	f.t.Helper()
	eventually(f.t, "a calibrated reading", 20*time.Second, func() bool {
		f.devices["hall-2"].say("sensors/hall-2/air", at, 21.4, 60)
		var s api.Sensor
		at = at.Add(time.Second)
		return f.get("/api/v1/sensors/hall-window", &s) && s.Temperature != nil && math.Abs(*s.Temperature-21) < 1e-9
	})
}
