package fold

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// active is the alarm of a condition in the nursery, nil unless it is on.
func (b *scene) active(c alerts.Condition) *snapshot.Alarm {
	for i, a := range b.Snapshot().Alarms {
		if a.Key.Condition == c && a.Key.Room == "nursery" && a.Active {
			return &b.Snapshot().Alarms[i]
		}
	}
	return nil
}

// shelves lets minutes pass with a reading of each shelf for which there is a
// temperature: °C at nursery-a and nursery-b, 0 for silence.
func (b *scene) shelves(minutes int, first, second float64) {
	b.t.Helper()
	for range minutes {
		b.now = b.now.Add(time.Minute)
		for sensor, celsius := range map[string]float64{"a": first, "b": second} {
			if celsius == 0 {
				continue
			}
			if err := b.Messages(nursery(sensor, b.now, celsius+0.01*float64(b.now.Minute()%3), 70)); err != nil {
				b.t.Fatal(err)
			}
		}
	}
	b.wait(0)
}

// resume lets time pass in which nobody watches.
func (b *scene) resume(down time.Duration) {
	b.t.Helper()
	b.now = b.now.Add(down)
	if err := b.gather(b.fold.Resume(b.t.Context(), b.now)); err != nil {
		b.t.Fatal(err)
	}
}

// hotShelf is a nursery whose heater has stuck beside shelf 1.
func hotShelf(t *testing.T) *scene {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.shelves(60, 25, 25)
	for m := range 40 {
		b.shelves(1, min(38, 25+0.5*float64(m)), min(30, 25+0.15*float64(m)))
	}
	if b.active(conditions.Heat) == nil {
		t.Fatalf("no heat alarm: %v", b.raised())
	}
	return b
}

// The sensor at the hot shelf dies of the heat, while the other shelf is well.
func TestComplaint11HeatIsNotOverBecauseItsSensorDied(t *testing.T) {
	b := hotShelf(t)
	b.shelves(20, 25, 25)
	if b.active(conditions.Heat) != nil {
		t.Fatal("heat is not over though the hot shelf says so")
	}
	b = hotShelf(t)
	last := b.now
	b.shelves(3*60, 0, 30)
	a := b.active(conditions.Heat)
	if a == nil {
		t.Fatal("heat is over because its sensor went silent")
	}
	want := fmt.Sprintf("the sensor that measured it, shelf 1 (nursery-a), has said nothing since %s; last value 38.0 °C", last.Format("15:04"))
	if !a.Held() || a.Want != want {
		t.Errorf("held is %v and says %q, want %q", a.Held(), a.Want, want)
	}
	if since := a.UnknownSince.Sub(last); since < 0 || since > 10*time.Minute {
		t.Errorf("held since %v after the last word of the sensor", since)
	}
	if b.active(conditions.SensorSilent) == nil {
		t.Error("the silent sensor is no alarm of its own")
	}
	b.shelves(5, 37, 30)
	if a := b.active(conditions.Heat); a == nil || a.Held() || a.Want != "" {
		t.Errorf("after the sensor spoke again: %+v", a)
	}
	b.shelves(30, 26, 26)
	if b.active(conditions.Heat) != nil {
		t.Error("heat is still on though the hot shelf is well again")
	}
}

// What cannot be believed is no evidence either.
func TestHeatIsNotOverBecauseItsSensorFails(t *testing.T) {
	b := hotShelf(t)
	b.shelves(60, 300, 30)
	a := b.active(conditions.Heat)
	if a == nil {
		t.Fatal("heat is over because its sensor cannot be right")
	}
	if !strings.Contains(a.Want, "has said nothing that can be believed since") {
		t.Errorf("says %q", a.Want)
	}
}

// Whoever takes the sensor away has been there: the others decide, after the
// time that any alarm waits.
func TestHeatAfterItsSensorWasTakenToTheBench(t *testing.T) {
	for name, c := range map[string]struct {
		other float64
		over  bool
	}{"the rest is well": {28, true}, "the rest is hot": {36, false}, "there is no other": {0, false}} {
		t.Run(name, func(t *testing.T) {
			b := hotShelf(t)
			b.shelves(10, 38, c.other)
			b.do(StartBench{Sensor: "nursery-a", Quantity: sensors.Temperature, Who: "keeper"})
			b.shelves(1, 21, c.other)
			if b.active(conditions.Heat) == nil {
				t.Fatal("heat is over at once")
			}
			b.shelves(30, 21, c.other)
			if over := b.active(conditions.Heat) == nil; over != c.over {
				t.Errorf("over is %v half an hour later, want %v", over, c.over)
			}
		})
	}
}

// A sensor that says itself that it goes gives no evidence afterwards.
func TestColdIsNotOverBecauseItsSensorLeft(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.shelves(60, 25, 25)
	b.shelves(30, 5, 20)
	if b.active(conditions.Chill) == nil {
		t.Fatalf("no alarm of cold: %v", b.raised())
	}
	b.do(presenceEvent{Sensor: "nursery-a", Here: false})
	b.shelves(60, 0, 20)
	if a := b.active(conditions.Chill); a == nil || !a.Held() {
		t.Errorf("cold is over because its sensor left: %+v", a)
	}
}

// Silence that began before a restart is not over because listening begins
// anew.
func TestSilenceOverARestart(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.shelves(60, 25, 25)
	b.shelves(60, 0, 25)
	if b.active(conditions.SensorSilent) == nil {
		t.Fatalf("no silent sensor: %v", b.raised())
	}
	b.resume(time.Hour)
	for range 30 {
		b.shelves(1, 0, 25)
		if b.active(conditions.SensorSilent) == nil {
			t.Fatalf("%v after the restart the sensor is no longer called silent, and has said nothing", b.now)
		}
	}
}

// One minute over the limit, then nobody watches for five hours: nothing was
// found for as long as the alarm waits.
func TestDelaysDoNotRunWhileNobodyWatches(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.shelves(60, 30, 30)
	b.shelves(2, 34, 34)
	b.resume(5 * time.Hour)
	b.shelves(30, 30, 30)
	if b.raised()[conditions.Heat] != 0 {
		t.Error("two minutes over the limit and five hours off raised heat")
	}
	b.shelves(20, 35, 35)
	b.shelves(2, 30, 30)
	b.resume(5 * time.Hour)
	if a := b.active(conditions.Heat); a == nil || !a.Held() {
		t.Errorf("heat when watching begins again: %+v, want it held", a)
	}
	b.shelves(20, 35, 35)
	if n := b.raised()[conditions.Heat]; n != 1 || b.active(conditions.Heat) == nil {
		t.Errorf("heat raised %d times, want one that went on over the five hours", n)
	}
}

// A silent sensor is named with its room, its last value and when that was, in
// the notice as well, and can be silenced by itself.
func TestComplaint16SilenceNamesWhatIsMissing(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.shelves(60, 25, 25)
	last := b.now
	b.shelves(40, 0, 25)
	var told notify.AlarmNotice
	for _, n := range b.TakeNotices() {
		var one notify.AlarmNotice
		if err := json.Unmarshal(n.Payload, &one); err != nil {
			t.Fatal(err)
		}
		if one.Key.Subject == "nursery-a" {
			told = one
		}
	}
	want := "shelf 1 (nursery-a), last heard 25.0 °C at " + last.Format("15:04")
	if told.Key.Condition != conditions.SensorSilent || told.RoomName != "Nursery" || told.Detail.String() != want || told.FirstAction == "" {
		t.Errorf("told %+v, want of a silent sensor in the Nursery: %q", told, want)
	}
	b.do(Order{Verb: alerts.Shelve, Key: told.Key, Who: "keeper", Reason: "battery on its way", For: time.Hour})
	for _, a := range b.Snapshot().Alarms {
		if a.Key == told.Key && a.State != alerts.Shelved {
			t.Errorf("shelved, it is %v", a.State)
		}
	}
}

// That a channel took a notice is no success: the alarm waits until a person
// has it. That no channel takes it is an alarm of its own. What a push service
// says of a subscription is not known yet, since there is no such channel.
func TestComplaint15DeliveryIsNoSuccess(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.shelves(60, 25, 25)
	b.shelves(20, 36, 36)
	state := func(c alerts.Condition) alerts.State {
		for _, a := range b.Snapshot().Alarms {
			if a.Key.Condition == c {
				return a.State
			}
		}
		return alerts.Normal
	}
	delivered := snapshot.NoticeState{Totals: []snapshot.NoticeTotal{{Channel: "hook", Outcome: notify.Delivered, Count: 3}}}
	note := func(s snapshot.NoticeState) {
		b.fold.SetNotices(s)
		if err := b.gather(b.fold.NoteParts(t.Context(), "", records.Trouble{})); err != nil {
			t.Fatal(err)
		}
	}
	note(delivered)
	b.shelves(10, 36, 36)
	if got := state(conditions.Heat); got != alerts.Unacknowledged {
		t.Errorf("heat is %v though nobody has it, with all notices delivered", got)
	}
	if got := state(conditions.NoticeUndeliverable); got != alerts.Normal {
		t.Errorf("delivery is an alarm, %v, with all notices delivered", got)
	}
	dead := delivered
	dead.Trouble = snapshot.DeliveryTrouble{Waiting: 1, Oldest: b.now, Problem: "hook: the address is gone"}
	note(dead)
	b.shelves(20, 36, 36)
	if got := state(conditions.NoticeUndeliverable); got != alerts.Unacknowledged {
		t.Errorf("a dead channel is %v, want an alarm of its own", got)
	}
	b.do(Order{Verb: alerts.Acknowledge, Key: alerts.Key{Condition: conditions.Heat, Room: "nursery"}, Who: "keeper"})
	if got := state(conditions.Heat); got != alerts.Acknowledged {
		t.Errorf("heat is %v after somebody took it on", got)
	}
}
