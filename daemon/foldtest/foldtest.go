// Package foldtest is what the tests of the fold, and of what stands on it,
// share: a small facility, when its time begins, and how to read it.
package foldtest

import (
	"testing"
	"time"

	"rearguard/daemon/facility"
)

// Facility is the configuration of a house with two sensors in its nursery and
// one in its hall, of which the first two stamp their readings.
const Facility = `
facility: {name: Test House, timezone: UTC}
broker: {address: "tcp://127.0.0.1:1883", client_id: test}
ingest: {age_limit: 2400h}
rooms:
  - {id: nursery, name: Nursery}
  - {id: hall, name: Hall}
sensors:
  - id: nursery-a
    room: nursery
    position: shelf 1
    interval: 60s
    inputs:
      - topic: t/nursery/a
        format: json
        time: {at: /ts, unit: s}
        values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: "%"}]
  - id: nursery-b
    room: nursery
    interval: 60s
    inputs:
      - topic: t/nursery/b
        format: json
        time: {at: /ts, unit: s}
        values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: "%"}]
  - id: hall-a
    room: hall
    interval: 60s
    inputs: [{topic: t/hall/a, format: plain, values: [{quantity: temperature, unit: °C}]}]
people: [{id: lead, name: Lead, email: lead@example.org}]
channels: [{id: hook, kind: webhook, url: "https://example.org/hook", secret_env: REARGUARD_TEST_SECRET}]
roster: [{who: [lead], channels: [hook], priorities: [low, medium, high, critical]}]
`

// Start is when the time of the tests begins; nothing depends on the date.
func Start() time.Time { return time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC) }

// secretEnv is the variable in which a configuration like Facility keeps the
// secret of its channel; secret stands for one.
const (
	secretEnv = "REARGUARD_TEST_SECRET"
	secret    = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
)

// Parse reads a configuration, with the secret of its channel set.
func Parse(t testing.TB, text string) *facility.Facility {
	t.Helper()
	t.Setenv(secretEnv, secret)
	f, err := facility.Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}
