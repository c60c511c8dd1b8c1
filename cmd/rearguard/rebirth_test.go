package main

import (
	"crypto/tls"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"google.golang.org/protobuf/encoding/protowire"

	"rearguard/daemon/facility"
	"rearguard/dashboards/api"
	"rearguard/sensors/broker/brokertest"
)

// sparkplugPayload is a Sparkplug B payload with one temperature, by name and
// alias in a birth and by alias alone afterwards.
func sparkplugPayload(seq uint64, birth bool, celsius float64) []byte {
	var m []byte
	if birth {
		m = protowire.AppendString(protowire.AppendTag(m, 1, protowire.BytesType), "Air/Temperature")
	}
	m = protowire.AppendVarint(protowire.AppendTag(m, 2, protowire.VarintType), 7)
	if birth {
		m = protowire.AppendVarint(protowire.AppendTag(m, 4, protowire.VarintType), 10) // Double
	}
	m = protowire.AppendFixed64(protowire.AppendTag(m, 13, protowire.Fixed64Type), math.Float64bits(celsius))
	// Two values of one millisecond would be the same reading twice.
	now := uint64(time.Now().UnixMilli()) + 10*seq
	b := protowire.AppendVarint(protowire.AppendTag(nil, 1, protowire.VarintType), now)
	b = protowire.AppendBytes(protowire.AppendTag(b, 2, protowire.BytesType), m)
	return protowire.AppendVarint(protowire.AppendTag(b, 3, protowire.VarintType), seq)
}

// The program comes late to a Sparkplug device that reports by alias: it asks
// the edge node for a rebirth, through the access rules that are deployed, and
// reads the device once it is born; a death makes it known gone.
func TestLateSubscriberAsksForRebirth(t *testing.T) {
	acl, err := os.ReadFile("../../deploy/mosquitto/acl")
	if err != nil {
		t.Fatal(err)
	}
	broker := brokertest.Start(t, brokertest.Options{TLS: true, ACL: string(acl), Users: map[string]string{"rearguard": "pw-rearguard", "edge-1": "pw-edge-1"}})
	dir := t.TempDir()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(dir, "facility.yaml")
	text := fmt.Sprintf(`facility: {name: Late, timezone: UTC}
records: {path: late.db}
broker: {address: "tls://localhost:%d", client_id: rearguard, username: rearguard, password_file: password, ca_file: %q}
web: {listen: %q}
rooms: [{id: attic}]
sensors:
  - {id: attic, room: attic, inputs: [{topic: spBv1.0/farm/+/edge-1/attic, format: sparkplug, values: [{quantity: temperature, at: Air/Temperature}]}]}
`, broker.Port, broker.CAFile, pages)
	for name, content := range map[string]string{config: text, filepath.Join(dir, "password"): "pw-rearguard\n"} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	roots, err := facility.Authorities(broker.CAFile)
	if err != nil {
		t.Fatal(err)
	}
	commands := make(chan string, 16)
	edge := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(fmt.Sprintf("tls://localhost:%d", broker.Port)).SetClientID("edge-1").
		SetUsername("edge-1").SetPassword("pw-edge-1").SetTLSConfig(&tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}).SetAutoReconnect(false))
	if err := mqtt.WaitTokenTimeout(edge.Connect(), 10*time.Second); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { edge.Disconnect(50) })
	asked := func(_ mqtt.Client, m mqtt.Message) { commands <- string(m.Payload()) }
	if err := mqtt.WaitTokenTimeout(edge.Subscribe("spBv1.0/farm/NCMD/edge-1", 0, asked), 10*time.Second); err != nil {
		t.Fatal(err)
	}
	publish := func(kind, device string, body []byte) {
		t.Helper()
		topic := "spBv1.0/farm/" + kind + "/edge-1"
		if device != "" {
			topic += "/" + device
		}
		if err := mqtt.WaitTokenTimeout(edge.Publish(topic, 0, false, body), 10*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	d := &daemonProcess{t: t, config: config, pages: pages}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGTERM) })
	var asking string
	eventually(t, "a request for rebirth", 30*time.Second, func() bool {
		publish("DDATA", "attic", sparkplugPayload(40, false, 21))
		select {
		case asking = <-commands:
			return true
		default:
			return false
		}
	})
	if !strings.Contains(asking, "Node Control/Rebirth") {
		t.Errorf("asked %q", asking)
	}
	var s api.Sensor
	if d.get("/api/v1/sensors/attic", &s) && s.Temperature != nil {
		t.Errorf("a value by an alias that nobody defined was believed: %+v", s)
	}
	publish("NBIRTH", "", sparkplugPayload(0, true, 0))
	publish("DBIRTH", "attic", sparkplugPayload(1, true, 22.5))
	publish("DDATA", "attic", sparkplugPayload(2, false, 23.25))
	eventually(t, "the value by alias", 20*time.Second, func() bool {
		return d.get("/api/v1/sensors/attic", &s) && s.Temperature != nil && *s.Temperature == 23.25
	})
	publish("DDEATH", "attic", sparkplugPayload(3, false, 0))
	eventually(t, "the death", 20*time.Second, func() bool {
		var room api.Room
		return d.get("/api/v1/sensors/attic", &s) && s.Silent && d.get("/api/v1/rooms/attic", &room) && room.Blind
	})
}
