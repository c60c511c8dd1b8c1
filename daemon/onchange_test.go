package daemon

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts/conditions"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// onChangeBesideAnother has one that says whether it is there, and another sensor
// beside it that reports regularly.
func onChangeBesideAnother() string {
	return strings.Replace(onChangeHouse("    availability: {topic: t/hall/a/status}\n"), "people:",
		"  - {id: hall-b, room: hall, interval: 60s, inputs: [{topic: t/hall/b, format: plain, values: [{quantity: temperature, unit: °C}]}]}\npeople:", 1)
}

// retained sends what a broker has retained.
func (r *rig) retained(topic, body string, m int) {
	r.messages <- sensors.Message{Topic: topic, Payload: []byte(body), Retained: true, Received: minute(m), Ack: func() {}}
}

// aboveThreshold lets the other sensor report 20 °C in each minute, and is by how
// many °C on average the first cohort's air was above its threshold meanwhile.
func (r *rig) aboveThreshold(from, to int) float64 {
	r.t.Helper()
	before := r.engine.Snapshot().Cohorts[0].ThermalTime
	for m := from; m < to; m++ {
		r.send("t/hall/b", "20", minute(m))
		r.ticks <- timekeeping.Right(minute(m))
	}
	return (r.tick(minute(to)).Cohorts[0].ThermalTime - before) * 24 / (float64(to-from) / 60)
}

// One that is taken out of the configuration counts no more for development,
// however long its last value would have held, nor when the past is gone
// through again.
func TestComplaint2ChangeOnlySensorThatWasTakenOut(t *testing.T) {
	r := newRigOf(t, onChangeBesideAnother())
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: minute(0)}
	r.monarchsIn("monarch-2", "hall", testStart)
	r.retained("t/hall/a/status", "online", 0)
	r.send("t/hall/a", "30", minute(1))
	both := r.aboveThreshold(2, 122)
	r.facility = foldtest.Parse(t, strings.Replace(onChangeBesideAnother(), "    reports: on-change\n", "    reports: on-change\n    retired: true\n", 1))
	r.do(fold.NewConfigure(r.facility, r.catalog, "lead"))
	r.aboveThreshold(122, 142)
	if alone := r.aboveThreshold(142, 262); math.Abs(both-alone-5) > 0.3 {
		t.Errorf("%.2f °C above the threshold by both sensors and %.2f by the one at 20 °C, want 5 less", both, alone)
	}
	live := r.engine.Snapshot().Cohorts
	r.records() // all is written
	if d := cmp.Diff(live, r.replay(true, nil).Final.Cohorts); d != "" {
		t.Errorf("live and replayed:\n%s", d)
	}
	r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-2", Time: minute(30), Stage: "egg", Seen: 10, Of: 10, By: "keeper"}})
	if got := r.tick(minute(263)).Cohorts[0].ThermalTime; math.Abs(got-live[0].ThermalTime) > 0.02 {
		t.Errorf("%.3f degree-days once gone through again, %.3f before", got, live[0].ThermalTime)
	}
}

// One that is gone counts no more for development either, from then until it
// speaks again, though its value would have held for a day.
func TestComplaint2ChangeOnlySensorThatIsGone(t *testing.T) {
	r := newRigOf(t, onChangeBesideAnother())
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: minute(0)}
	r.monarchsIn("monarch-2", "hall", testStart)
	r.retained("t/hall/a/status", "online", 0)
	r.send("t/hall/a", "30", minute(1))
	r.aboveThreshold(2, 20)
	both := r.aboveThreshold(20, 140)
	r.retained("t/hall/a/status", "offline", 140)
	r.aboveThreshold(140, 160)
	alone := r.aboveThreshold(160, 280)
	r.retained("t/hall/a/status", "online", 280)
	r.retained("t/hall/a", "30", 280)
	r.aboveThreshold(280, 300)
	again := r.aboveThreshold(300, 420)
	if math.Abs(both-alone-5) > 0.3 || math.Abs(again-both) > 0.3 {
		t.Errorf("%.2f °C above the threshold by both sensors, %.2f while one was gone and %.2f once it was back, want 5 less while it was", both, alone, again)
	}
	last := r.engine.Snapshot().Cohorts[0].ThermalTime
	r.do(fold.RecordCount{Count: population.Count{Cohort: "monarch-2", Time: minute(30), Stage: "egg", Seen: 10, Of: 10, By: "keeper"}})
	if got := r.tick(minute(421)).Cohorts[0].ThermalTime; math.Abs(got-last) > 0.02 {
		t.Errorf("%.3f degree-days once gone through again, %.3f before", got, last)
	}
}

// One that says that it is there, and never what it measures, is missed within
// the time in which it should have said so.
func TestComplaint2ChangeOnlySensorThatNeverSpeaks(t *testing.T) {
	r := newRigOf(t, onChangeBesideAnother())
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: minute(0)}
	r.retained("t/hall/a/status", "online", 0)
	for m := 1; m < 80; m++ {
		r.send("t/hall/b", "21.5", minute(m))
		s := r.tick(minute(m))
		silent := slices.ContainsFunc(s.Alarms, func(a snapshot.Alarm) bool { return a.Active && a.Key.Subject == "hall-a" })
		if silent != (m > 75) && (m < 74 || m > 77) {
			t.Fatalf("after %d min the sensor is called silent: %v", m, silent)
		}
	}
}

// onChangeHouse has a sensor in its hall that reports on change.
func onChangeHouse(settings string) string {
	return strings.Replace(foldtest.Facility, "  - id: hall-a\n    room: hall\n    interval: 60s\n", "  - id: hall-a\n    room: hall\n    reports: on-change\n"+settings, 1)
}

// A sensor that reports on change is fresh for as long as it is said to be
// there, and no longer.
func TestComplaint2ChangeOnlySensorIsVouchedForByItsAvailability(t *testing.T) {
	r := newRigOf(t, onChangeHouse("    availability: {topic: t/hall/a/status}\n"))
	link := func(m int, up bool) { r.links <- snapshot.Link{Connected: up, Subscribed: up, Since: minute(m)} }
	word := func(body string, m int) { r.retained("t/hall/a/status", body, m) }
	hall := func(m int) snapshot.Room {
		t.Helper()
		return r.tick(minute(m)).Rooms[1]
	}
	alarmed := func() bool {
		return slices.ContainsFunc(r.engine.Snapshot().Alarms, func(a snapshot.Alarm) bool { return a.Key.Room == "hall" && a.Active })
	}
	link(0, true)
	word("online", 0)
	r.send("t/hall/a", "21.5", minute(1))
	for m := 2; m <= 300; m++ {
		r.ticks <- timekeeping.Right(minute(m))
	}
	if room := hall(300); room.Blind || *room.Temperature != 21.5 || alarmed() {
		t.Errorf("five hours without a change, said to be there: %+v", room)
	}
	if again := r.replayed().Final.Rooms[1]; again.Blind {
		t.Error("blind in a replay")
	}
	// Nothing can be heard: nothing vouches.
	link(300, false)
	if room := hall(306); !room.Blind {
		t.Error("without a link to the broker an old value stands for the present")
	}
	link(310, true)
	if room := hall(311); !room.Blind {
		t.Error("fresh before the broker has said that the sensor is still there")
	}
	word("online", 312)
	if room := hall(313); room.Blind {
		t.Error("it is said to be there and is not believed")
	}
	r.stop()
	r.start(minute(320))
	link(320, true)
	if room := hall(321); !room.Blind {
		t.Error("fresh after a restart before anybody has said so")
	}
	word("online", 321)
	if room := hall(322); room.Blind {
		t.Error("blind after a restart, though it is said to be there")
	}
	// What the broker retains can be handled before the news that it delivers.
	link(322, false)
	word("online", 322)
	link(322, true)
	if room := hall(322); room.Blind {
		t.Error("the broker's word upon the subscription is not believed")
	}
	// Its last will ends it at once, and a word does not hold for ever.
	word("offline", 323)
	if room := hall(324); !room.Blind {
		t.Error("fresh after its last will")
	}
	word("online", 330)
	r.send("t/hall/a", "21.7", minute(330))
	if room := hall(331); room.Blind {
		t.Error("back and blind")
	}
	for m := 332; m < 331+24*60; m += 10 {
		r.ticks <- timekeeping.Right(minute(m))
	}
	if room := hall(331 + 24*60); !room.Blind {
		t.Error("one word a day ago vouches still")
	}
}

// What the broker retains of a sensor that reports on change is what holds now:
// the change may have been missed. One that is gone is missed though it may be
// silent for long, also where others watch its room.
func TestComplaint2ChangeOnlySensorIsKnownByWhatIsRetained(t *testing.T) {
	r := newRigOf(t, onChangeBesideAnother())
	value := func(want float64, n int, when string) {
		t.Helper()
		got := r.stored("hall-a", sensors.Temperature)
		if len(got) != n || n > 0 && got[n-1].Raw != want {
			t.Errorf("%s the readings are %v, want %d with %g as the last", when, got, n, want)
		}
	}
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: minute(0)}
	r.retained("t/hall/a/status", "online", 0)
	r.retained("t/hall/a", "21.5", 0)
	r.tick(minute(1))
	value(21.5, 1, "upon the subscription")
	r.retained("t/hall/a", "21.5", 2)
	r.tick(minute(2))
	value(21.5, 1, "told again")
	r.retained("t/hall/a", "23", 3)
	r.tick(minute(3))
	value(23, 2, "after a change that was missed")
	r.retained("t/hall/a/status", "offline", 4)
	r.retained("t/hall/a", "24", 4)
	for m := 4; m < 30; m++ {
		r.send("t/hall/b", "21.5", minute(m))
		r.tick(minute(m))
	}
	value(23, 2, "while it is gone")
	s := r.engine.Snapshot()
	silent := active(s, conditions.SensorSilent)
	if silent == nil || silent.Key.Subject != "hall-a" || !strings.Contains(silent.Detail, " as the broker says; last heard 23.0 °C at 08:03") {
		t.Errorf("half an hour after its last will the alarms are %+v", s.Alarms)
	}
}

// Without a word on whether it is there, such a sensor promises the longest
// time between its messages.
func TestComplaint2ChangeOnlySensorKeepsItsPromise(t *testing.T) {
	r := newRigOf(t, onChangeHouse("    interval: 2h\n"))
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: minute(0)}
	r.send("t/hall/a", "21.5", minute(1))
	for m := 2; m <= 240; m++ {
		r.ticks <- timekeeping.Right(minute(m))
	}
	if s := r.tick(minute(240)); s.Rooms[1].Blind || sensorNamed(t, s, "hall-a").Silent {
		t.Errorf("within its promise: %+v", s.Rooms[1])
	}
	if s := r.tick(minute(242)); !s.Rooms[1].Blind || !sensorNamed(t, s, "hall-a").Silent {
		t.Errorf("beyond its promise, one message lost: %+v", s.Rooms[1])
	}
}
