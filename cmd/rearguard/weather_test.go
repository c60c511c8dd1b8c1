package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/cmd/internal/cli"
	"rearguard/sensors/broker/brokertest"
)

// weatherPackage carries the hourly normals of the weather station at the
// airport of Seattle 1981-2010 (NOAA National Centers for Environmental
// Information, public data) as data/seattle-weather-hourly-normals.csv.
const weatherPackage = "vega-datasets@3.2.1"

// weatherFile fetches the record once and returns its path.
func weatherFile(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(cache, "rearguard-test", "weather")
	path := filepath.Join(dir, "node_modules", "vega-datasets", "data", "seattle-weather-hourly-normals.csv")
	if _, err := os.Stat(path); err == nil {
		return path
	}
	if _, err := exec.LookPath("npm"); err != nil {
		const hint = "npm is missing: install nodejs and npm (apt-get install nodejs npm)"
		if os.Getenv("CI") != "" {
			t.Fatal(hint)
		}
		t.Skip(hint)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	install := exec.Command("npm", "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", dir, weatherPackage)
	if out, err := install.CombinedOutput(); err != nil {
		t.Fatalf("npm install %s: %v\n%s", weatherPackage, err, out)
	}
	return path
}

// weatherDegreeDays runs the subcommand on a file and returns the sum.
func weatherDegreeDays(t *testing.T, file, method string) float64 {
	t.Helper()
	var out, errOut bytes.Buffer
	code := rearguard().Run(t.Context(), &cli.Env{In: strings.NewReader(""), Out: &out, ErrOut: &errOut,
		Logger: slog.New(slog.DiscardHandler), Now: time.Now},
		[]string{"degree-days", "--lower", "10", "--method", method, "--time-column", "date", "--temperature-column", "temperature", "--json", file})
	if code != cli.ExitGood {
		t.Fatalf("degree-days --method %s: status %d\n%s", method, code, errOut.String())
	}
	var answer struct {
		DegreeDays float64 `json:"degree_days"`
	}
	if err := json.Unmarshal(out.Bytes(), &answer); err != nil {
		t.Fatal(err)
	}
	return answer.DegreeDays
}

// TestYearOfWeatherThroughTheBroker publishes a published year of hourly
// temperatures as the readings of one sensor and compares the cohort's
// thermal time with that of the table.
func TestYearOfWeatherThroughTheBroker(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute; run without -short")
	}
	file := weatherFile(t)
	table, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows = rows[1:]
	if len(rows) < 8700 {
		t.Fatalf("the record has %d hours", len(rows))
	}
	first, err := time.Parse("2006-01-02T15:04:05", rows[0][0])
	if err != nil {
		t.Fatal(err)
	}
	// The year is moved to the one just past: a live daemon refuses readings
	// that are many years old.
	moved := time.Now().UTC().Add(-time.Duration(len(rows)+24) * time.Hour).Truncate(time.Hour).Sub(first)

	m := brokertest.Start(t, brokertest.Options{Extra: "max_inflight_messages 1000\nmax_queued_messages 0\n"})
	dir := t.TempDir()
	d := &daemonProcess{t: t, config: filepath.Join(dir, "facility.yaml"), pages: fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))}
	config := fmt.Sprintf(`
facility: {name: Weather test, timezone: UTC}
records: {path: weather.db}
broker: {address: "tcp://127.0.0.1:%d", client_id: weather-test}
web: {listen: %q}
ingest: {age_limit: 20000h}
rooms: [{id: outside}]
sensors:
  - {id: station, room: outside, interval: 1h, inputs: [{topic: weather/station, format: json, time: {at: /date, unit: rfc3339}, values: [{quantity: temperature, at: /temperature, unit: °C}]}]}
species:
  - id: weather-test
    common_name: Weather test
    stages:
      - {id: egg, lower_celsius: 10, requirement_degree_days: 20000, method: regression, source: a test}
      - {id: adult}
`, m.Port, d.pages)
	if err := os.WriteFile(d.config, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGKILL) })
	eventually(t, "ready", time.Minute, func() bool { return d.get("/readyz", nil) })
	body := fmt.Sprintf(`{"who":"test","id":"year","species":"weather-test","start":%q,"start_stage":"egg","individuals":1,"room":"outside"}`,
		first.Add(moved).Format(time.RFC3339))
	answer, err := http.Post("http://"+d.pages+"/api/v1/cohorts", "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.StatusCode >= 300 {
		t.Fatalf("cohort refused: %s\n%s", answer.Status, d.log.String())
	}
	publishWeather(t, m.URL(), rows, moved)

	want := weatherDegreeDays(t, file, "observed")
	var got float64
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("thermal time %.9f, want %.9f", got, want)
		}
	})
	eventually(t, "the year taken in", 90*time.Second, func() bool {
		got = d.thermalTimes()["year"]
		return math.Abs(got-want) < 1e-6
	})
	d.end(syscall.SIGTERM)
	sine := weatherDegreeDays(t, file, "single-sine")
	t.Logf("%d hours above 10 °C: daemon %.6f, degree-days --method observed %.6f, single sine %.2f (%+.1f %% of observed)",
		len(rows), got, want, sine, 100*(sine-want)/want)
}

func publishWeather(t *testing.T, url string, rows [][]string, moved time.Duration) {
	t.Helper()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("weather-station"))
	if err := mqtt.WaitTokenTimeout(client.Connect(), time.Minute); err != nil {
		t.Fatal(err)
	}
	defer client.Disconnect(100)
	for _, row := range rows {
		at, err := time.Parse("2006-01-02T15:04:05", row[0])
		if err != nil {
			t.Fatal(err)
		}
		token := client.Publish("weather/station", 1, false,
			fmt.Sprintf(`{"date":%q,"temperature":%s}`, at.Add(moved).Format(time.RFC3339), row[2]))
		if err := mqtt.WaitTokenTimeout(token, time.Minute); err != nil {
			t.Fatal(err)
		}
	}
}
