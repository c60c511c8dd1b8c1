package desk

import (
	"testing"
	"time"

	"rearguard/sensors"
)

// What must come again after a kill is known until then, and only then taken
// for new.
func TestDeliveriesKnowWhatMayComeAgain(t *testing.T) {
	message := func(packet uint16, body string) *sensors.Message {
		return &sensors.Message{Topic: "t", Payload: []byte(body), Delivery: sensors.Delivery{Packet: packet, Again: true, Queued: true}}
	}
	session := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	d := newDeliveries()
	d.note(message(7, "stored"), session, true)
	d.note(message(8, "held back"), session, false)
	stored := map[string][]byte{}
	d.keepMemory(func(name string, body []byte) { stored[name] = body })
	after := newDeliveries()
	after.recall(stored)
	for _, c := range []struct {
		name        string
		m           *sensors.Message
		lost        time.Time
		same, later bool
	}{
		{"what was stored", message(7, "stored"), session, true, true},
		{"what was held back", message(8, "held back"), session, true, false},
		{"another under the same identifier", message(8, "new"), session, false, false},
		{"the same in another session", message(8, "held back"), session.Add(time.Hour), false, false},
	} {
		if got := d.repeated(c.m, c.lost); got != c.same {
			t.Errorf("%s: repeated %v, want %v", c.name, got, c.same)
		}
		if got := after.repeated(c.m, c.lost); got != c.later {
			t.Errorf("%s, after a kill: repeated %v, want %v", c.name, got, c.later)
		}
	}
	d.note(message(8, "stored too"), session, true)
	if d.repeated(message(8, "held back"), session) {
		t.Error("an identifier that was used anew still stands for what it was")
	}
}
