package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"rearguard/alerts/relay/relaytest"
	"rearguard/sensors/broker/brokertest"
)

// A real Alertmanager knows what is on in a real daemon, whichever of the two
// is killed.
func TestAlertmanagerFollowsTheDaemon(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute; run without -short")
	}
	m := brokertest.Start(t, brokertest.Options{})
	am := relaytest.Start(t)
	dir := t.TempDir()
	pages := fmt.Sprintf("127.0.0.1:%d", brokertest.FreePort(t))
	config := filepath.Join(dir, "facility.yaml")
	write := func(alertmanagers string) {
		t.Helper()
		text := fmt.Sprintf(`
facility: {name: Relay test, timezone: UTC}
records: {path: alarms.db, synchronous: normal}
broker: {address: %q, client_id: relay}
web: {listen: %q, public_url: "https://rearguard.example.org"}
rooms: [{id: nursery, name: Nursery, limits: {heat_celsius: 30}}]
sensors: [{id: s, room: nursery, interval: 60s, inputs: [{topic: kill/s, format: json, values: [{quantity: temperature, at: /t, unit: °C}]}]}]
alarms: {heat: {on_delay: 1s, off_delay: 2s}}
alertmanagers: [%s]
`, fmt.Sprintf("tcp://127.0.0.1:%d", m.Port), pages, alertmanagers)
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("")
	d := &daemonProcess{t: t, config: config, pages: pages}
	d.start()
	t.Cleanup(func() { d.end(syscall.SIGKILL) })
	ready := func() { eventually(t, "ready", time.Minute, func() bool { return d.get("/readyz", nil) }) }
	ready()
	milli, _ := feed(t, m.URL(), 36_000)
	post(t, pages, "/api/v1/cohorts", `{"who":"keeper","id":"c","species":"danaus-plexippus","start_stage":"larva-3","individuals":50,"room":"nursery"}`)
	told := func() *relaytest.Active {
		for _, a := range am.Active() {
			if a.Labels["condition"] == "heat" {
				return &a
			}
		}
		return nil
	}
	on := func() bool { return told() != nil }
	off := func() bool { return told() == nil }
	key := `"who":"lead","key":{"condition":"heat","room":"nursery","subject":""}`

	// An Alertmanager that is entered later is told from then on.
	eventually(t, "it is hot", time.Minute, func() bool { return heatState(d) == "unacknowledged" })
	write(fmt.Sprintf("{id: house, url: %q, resend: 8s}", am.URL))
	if err := d.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the Alertmanager knows of the heat", time.Minute, on)
	a := told()
	if a.Labels["facility"] != "Relay test" || a.Labels["room"] != "nursery" || a.GeneratorURL != "https://rearguard.example.org/alarms" ||
		!strings.HasPrefix(a.Annotations["headline"], "Nursery 36.0 °C: too hot") || a.Annotations["first_action"] == "" {
		t.Errorf("alert = %+v", a)
	}

	am.Kill()
	am.Launch()
	eventually(t, "it knows again after it was killed", time.Minute, on)

	// What a person has put aside is over there, until they take it back.
	post(t, pages, "/api/v1/alarms/shelve", `{`+key+`,"for_seconds":3600,"reason":"moving shelves"}`)
	eventually(t, "what is shelved is over", time.Minute, off)
	post(t, pages, "/api/v1/alarms/unshelve", `{`+key+`}`)
	eventually(t, "it is on again", time.Minute, on)
	post(t, pages, "/api/v1/alarms/acknowledge", `{`+key+`}`)

	d.end(syscall.SIGKILL)
	d.start()
	before := told()
	eventually(t, "it is told again", time.Minute, func() bool {
		now := told()
		if now == nil {
			t.Fatal("the restart of rearguard ended the alarm")
		}
		return now.UpdatedAt.After(before.UpdatedAt)
	})
	ready()
	if now := told(); now == nil || !now.StartsAt.Equal(before.StartsAt) {
		t.Errorf("after the restart %+v, want it to have begun at %v", now, before.StartsAt)
	}

	d.end(syscall.SIGTERM)
	milli.Store(25_000)
	d.start()
	eventually(t, "the end is known", time.Minute, off)
	ready()
	eventually(t, "it is over in rearguard as well", time.Minute, func() bool { return heatState(d) == "" })
}
