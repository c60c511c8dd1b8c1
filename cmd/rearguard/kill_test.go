package main

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/broker/brokertest"
)

// The size of the kill test. Each message carries one temperature.
const (
	killSensors  = 500
	killRooms    = 20
	killMessages = 200_000
	killTimes    = 10
)

// killConfig writes a facility of many sensors, and returns its path and the
// address of its pages.
func killConfig(t *testing.T, dir, brokerURL string) (path, pages string) {
	t.Helper()
	pages = fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	var b strings.Builder
	fmt.Fprintf(&b, "facility: {name: Kill test, timezone: UTC}\nrecords: {path: kill.db, synchronous: normal}\n")
	fmt.Fprintf(&b, "broker: {address: %q, client_id: kill-test, availability_topic: kill/rearguard, discover: [\"kill/#\"]}\n", brokerURL)
	fmt.Fprintf(&b, "web: {listen: %q}\ningest: {age_limit: 2400h}\nrooms:\n", pages)
	for r := range killRooms {
		fmt.Fprintf(&b, "  - {id: room-%d}\n", r)
	}
	b.WriteString("sensors:\n")
	for s := range killSensors {
		fmt.Fprintf(&b, "  - {id: s%d, room: room-%d, interval: 60s, inputs: [{topic: kill/s%d, format: json, time: {at: /ts, unit: ms}, values: [{quantity: temperature, at: /t, unit: °C}]}]}\n", s, s%killRooms, s)
	}
	path = filepath.Join(dir, "facility.yaml")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path, pages
}

// killReading is the temperature that sensor s reports in its n-th message.
func killReading(s, n int) float64 {
	return math.Round(100*(24+2*math.Sin(float64(n)/60)+0.5*math.Sin(float64(s)))) / 100
}

// publisher publishes every message until the broker has confirmed it, over
// as many connections as that takes.
type publisher struct {
	t      *testing.T
	url    string
	client mqtt.Client
	begin  time.Time
}

func (p *publisher) connect() {
	eventually(p.t, "connect the publisher", time.Minute, func() bool {
		options := mqtt.NewClientOptions().AddBroker(p.url).SetClientID("kill-publisher").SetAutoReconnect(false).SetConnectTimeout(5 * time.Second)
		client := mqtt.NewClient(options)
		token := client.Connect()
		if !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			return false
		}
		p.client = client
		return true
	})
}

// round publishes the n-th message of every sensor.
func (p *publisher) round(n int) {
	at := p.begin.Add(time.Duration(n) * time.Minute)
	for {
		tokens := make([]mqtt.Token, killSensors)
		for s := range killSensors {
			// Sensors of one room do not report in the same instant.
			body := fmt.Sprintf(`{"ts":%d,"t":%.2f}`, at.UnixMilli()+int64(s), killReading(s, n))
			tokens[s] = p.client.Publish(fmt.Sprintf("kill/s%d", s), 1, false, body)
		}
		good := true
		for _, token := range tokens {
			good = good && token.WaitTimeout(10*time.Second) && token.Error() == nil
		}
		if good && p.client.IsConnected() {
			return
		}
		p.client.Disconnect(0)
		p.connect()
	}
}

// manySensors is a broker that keeps whatever comes, a program that listens to
// many sensors on it, and where its records are.
func manySensors(t *testing.T) (m *brokertest.Mosquitto, d *daemonProcess, path string) {
	t.Helper()
	port := brokertest.FreePort(t)
	dir := t.TempDir()
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\nmax_inflight_messages 1000\nmax_queued_messages 0\n", port, dir)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	m = brokertest.Start(t, brokertest.Options{ConfigFile: conf, Port: port})
	config, pages := killConfig(t, dir, fmt.Sprintf("tcp://127.0.0.1:%d", m.Port))
	d = &daemonProcess{t: t, config: config, pages: pages}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGKILL) })
	eventually(t, "ready", time.Minute, func() bool { return d.get("/readyz", nil) })
	return m, d, filepath.Join(dir, "kill.db")
}

// killRun publishes everything while disturb may do its worst, and returns
// the thermal time of each cohort at the end.
func killRun(t *testing.T, disturb func(round int, d *daemonProcess, m *brokertest.Mosquitto)) (map[string]float64, string) {
	t.Helper()
	m, d, path := manySensors(t)
	p := &publisher{t: t, url: m.URL(), begin: time.Now().UTC().Add(-killMessages / killSensors * time.Minute).Truncate(time.Minute)}
	p.connect()
	for r := range killRooms {
		body := fmt.Sprintf(`{"who":"test","id":"cohort-%d","species":"danaus-plexippus","start":%q,"start_stage":"egg","individuals":100,"room":"room-%d"}`,
			r, p.begin.Format(time.RFC3339), r)
		answer, err := http.Post("http://"+d.pages+"/api/v1/cohorts", "application/json", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.StatusCode >= 300 {
			t.Fatalf("cohort refused: %s", answer.Status)
		}
	}
	for n := range killMessages / killSensors {
		p.round(n)
		disturb(n, d, m)
	}
	p.client.Disconnect(1000)

	eventually(t, "everything stored", 3*time.Minute, func() bool { return countReadings(t, path) >= killMessages })
	// Readings that were queued while the daemon was dead arrive late, and
	// are taken into the thermal time when their stream has dried up.
	// A snapshot is at most a second old; what two seconds leave alone is at
	// rest.
	var cohorts map[string]float64
	atRest := 0
	eventually(t, "every reading taken into the thermal time", 2*time.Minute, func() bool {
		now := d.thermalTimes()
		atRest++
		if len(now) != killRooms || !maps.Equal(now, cohorts) {
			atRest = 0
		}
		cohorts = now
		return atRest > 40
	})
	d.end(syscall.SIGTERM)
	return cohorts, path
}

// thermalTimes is the thermal time of each cohort, nil while some are catching
// up.
func (d *daemonProcess) thermalTimes() map[string]float64 {
	var list []struct {
		ID          string  `json:"id"`
		ThermalTime float64 `json:"thermal_time_degree_days"`
		CatchingUp  bool    `json:"catching_up"`
	}
	if !d.get("/api/v1/cohorts", &list) {
		return nil
	}
	out := make(map[string]float64, len(list))
	for _, c := range list {
		if c.CatchingUp {
			return nil
		}
		out[c.ID] = c.ThermalTime
	}
	return out
}

func countReadings(t *testing.T, path string) int {
	t.Helper()
	reader, err := records.OpenReader(t.Context(), path)
	if err != nil {
		return 0
	}
	defer reader.Close()
	n := 0
	for day, err := range reader.ScanDays(t.Context(), nil, time.Time{}, past.FarFuture()) {
		if err != nil {
			t.Fatal(err)
		}
		for _, series := range day {
			n += series.Len()
		}
	}
	return n
}

func TestComplaint07KilledDaemonLosesNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("takes minutes; run without -short")
	}
	calm, _ := killRun(t, func(int, *daemonProcess, *brokertest.Mosquitto) {})

	rounds := killMessages / killSensors
	rng := rand.New(rand.NewPCG(11, 13))
	kills := make(map[int]bool)
	for len(kills) < killTimes {
		kills[rng.IntN(rounds-20)+10] = true
	}
	disturbed, path := killRun(t, func(n int, d *daemonProcess, m *brokertest.Mosquitto) {
		if kills[n] {
			d.end(syscall.SIGKILL)
			d.start()
		}
		if n == rounds/3 || n == 2*rounds/3 {
			m.Stop()
			m.Launch()
		}
	})
	checkHistory(t, path)
	for id, want := range calm {
		if got := disturbed[id]; math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: thermal time %.12f disturbed, %.12f undisturbed", id, got, want)
		}
	}
	t.Logf("%d messages of %d sensors, %d kills, 2 broker restarts: every reading stored once, thermal time of %d cohorts the same to 1e-9",
		killMessages, killSensors, killTimes, len(calm))
}

// checkHistory shows that every published (sensor, time) is stored exactly
// once with its value.
func checkHistory(t *testing.T, path string) {
	t.Helper()
	reader, err := records.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	seen := make(map[sensors.SensorID]map[int64]float64, killSensors)
	for r, err := range reader.Scan(t.Context(), nil, time.Time{}, past.FarFuture()) {
		if err != nil {
			t.Fatal(err)
		}
		if seen[r.Sensor] == nil {
			seen[r.Sensor] = make(map[int64]float64)
		}
		if _, twice := seen[r.Sensor][r.Time.UnixMilli()]; twice {
			t.Fatalf("%s at %v is stored twice", r.Sensor, r.Time)
		}
		seen[r.Sensor][r.Time.UnixMilli()] = r.Raw
	}
	if len(seen) != killSensors {
		t.Fatalf("%d sensors in the records, want %d", len(seen), killSensors)
	}
	for s := range killSensors {
		times := seen[sensors.SensorID(fmt.Sprintf("s%d", s))]
		if len(times) != killMessages/killSensors {
			t.Errorf("sensor s%d has %d readings, want %d", s, len(times), killMessages/killSensors)
		}
		first := int64(math.MaxInt64)
		for at := range times {
			first = min(first, at)
		}
		for n := range killMessages / killSensors {
			if got, ok := times[first+int64(n)*60_000]; !ok || got != killReading(s, n) {
				t.Fatalf("sensor s%d, message %d: stored %v (%v), want %v", s, n, got, ok, killReading(s, n))
			}
		}
	}
}
