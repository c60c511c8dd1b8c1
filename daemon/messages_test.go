package daemon

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"

	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/unclaimed"
)

// counted is how many messages had an outcome.
func counted(s *snapshot.Snapshot, outcome desk.Outcome) uint64 {
	for _, m := range s.Messages {
		if m.Outcome == outcome {
			return m.Count
		}
	}
	return 0
}

// An error code on a calibrated sensor is refused by name, and one that an
// older version has stored ends neither the run nor a start.
func TestImpossibleNumberEndsNothing(t *testing.T) {
	r := newRig(t)
	r.minutes(0, 20, 0)
	r.do(fold.Calibrate{Certificate: shiftCertificate("nursery-b", -1, minute(20)), Who: "Ana"})
	at := minute(21)
	r.send("t/nursery/b", fmt.Sprintf(`{"ts":%d,"t":1e305,"h":70}`, at.Unix()), at)
	s := r.tick(at)
	if n := len(s.Rejected); n != 1 || !strings.Contains(s.Rejected[0].Reason, "no temperature that an instrument can mean") {
		t.Errorf("rejected %+v", s.Rejected)
	}
	if got := r.stored("nursery-b", sensors.RelativeHumidity); !got[len(got)-1].Time.Equal(at) {
		t.Error("the good half of the message is lost")
	}
	old := sensors.Reading{
		Series: sensors.Series{Sensor: "nursery-b", Quantity: sensors.Temperature},
		Time:   minute(22), Arrival: minute(22), Raw: 1.7e308, Value: 1.7e308, Flag: sensors.Fail,
	}
	r.records()
	r.stop()
	r.start(minute(23), func() { r.commit(old) })
	r.minutes(24, 80, 0)
	if s := r.tick(minute(80)); s.Rooms[0].UsableSensors != 2 {
		t.Errorf("room %+v", s.Rooms[0])
	}
}

// Messages are counted once, also when what followed the last checkpoint is
// gone through again.
func TestCountsOfMessagesSurviveAKill(t *testing.T) {
	r := newRig(t)
	r.minutes(0, 50, 0)
	r.send("t/nursery/a", "nonsense", minute(50))
	r.send("t/hall/a", "21", minute(50))
	before := r.tick(minute(50)).Messages
	r.stop()
	r.start(minute(51))
	if after := r.tick(minute(51)).Messages; !slices.Equal(before, after) {
		t.Errorf("before %v, after %v", before, after)
	}
	if n := counted(r.tick(minute(51)), desk.Stored); n != 101 {
		t.Errorf("of 101 messages %d are counted as stored", n)
	}
}

// Thousands of topics that are seen once push out neither a sensor nor each
// other silently.
func TestUnclaimedTopicsMakeRoom(t *testing.T) {
	r := newRig(t)
	junk := func(from, to int, topic, body string, at time.Time) {
		for i := from; i < to; i++ {
			r.send(fmt.Sprintf(topic, i), body, at)
		}
	}
	has := func(s *snapshot.Snapshot, topic string) *unclaimed.TopicView {
		i := slices.IndexFunc(s.Unclaimed, func(u unclaimed.TopicView) bool { return u.Topic == topic })
		if i < 0 {
			return nil
		}
		return &s.Unclaimed[i]
	}
	r.send("t/early/temperature", "21.5", minute(0))
	junk(0, 5000, "junk/%d", "on", minute(0))
	r.send("t/early/temperature", "21.6", minute(1))
	r.send("t/new/temperature", "21.5", minute(1))
	junk(5000, 10_000, "junk/%d", "7", minute(1))
	s := r.tick(minute(2))
	if has(s, "t/early/temperature") == nil || has(s, "t/new/temperature") == nil {
		t.Error("10,000 topics of junk push a sensor out")
	}
	if s.UnclaimedLetGo < 9000 || len(s.Unclaimed) != 500 {
		t.Errorf("%d kept, %d let go", len(s.Unclaimed), s.UnclaimedLetGo)
	}
	// Junk that looks like a sensor itself comes faster than the sensor speaks;
	// once it is heard again it stays, and stands first.
	for m := 3; m < 6; m++ {
		r.send("t/late/temperature", "21.5", minute(m))
		junk(1000*m, 1000*m+600, "junk/%d/temperature", "7", minute(m))
	}
	s = r.tick(minute(6))
	late := has(s, "t/late/temperature")
	if late == nil {
		t.Fatal("a sensor that is heard every minute is pushed out by what was heard once")
	}
	if has(s, "t/early/temperature") == nil {
		t.Error("a known sensor is pushed out")
	}
}

// homieHouse has a sensor that states its unit, in a message of its own.
const homieHouse = `
facility: {name: Test House, timezone: UTC}
broker: {address: "tcp://127.0.0.1:1883", client_id: test}
rooms:
  - {id: cold, name: Cold room}
sensors:
  - id: store
    room: cold
    interval: 60s
    inputs:
      - topic: homie/store
        format: homie
        values: [{quantity: temperature, at: air/temperature}]
`

// What a message taught is there after a kill at any commit, and a value that
// came without it is no number.
func TestLearnedUnitsSurviveAKill(t *testing.T) {
	r := newRigOf(t, homieHouse)
	r.send("homie/store/air/temperature", "45", minute(0))
	s := r.tick(minute(0))
	if v := sensorNamed(t, s, "store"); len(v.Findings) != 1 || !strings.Contains(v.Findings[0].Text, "has no unit") {
		t.Errorf("findings %+v", v.Findings)
	}
	r.send("homie/store/air/temperature/$unit", "°F", minute(1))
	for m := 2; m < 10; m++ {
		r.send("homie/store/air/temperature", "45", minute(m))
		r.tick(minute(m))
		r.stop()
		r.start(minute(m).Add(10 * time.Second))
	}
	got := r.stored("store", sensors.Temperature)
	for _, reading := range got {
		if reading.Raw < 7 || reading.Raw > 8 {
			t.Errorf("45 °F is %g °C at %v", reading.Raw, reading.Time)
		}
	}
	if v := sensorNamed(t, r.tick(minute(10)), "store"); len(got) != 8 || len(v.Findings) != 0 {
		t.Errorf("%d readings, findings %+v", len(got), v.Findings)
	}
}

// What was learned on a sensor's topics holds under another name, at once and
// over a restart.
func TestRenamedSensorKeepsWhatItsTopicsTaught(t *testing.T) {
	r := newRigOf(t, homieHouse)
	r.send("homie/store/air/temperature/$unit", "°F", minute(1))
	r.facility = foldtest.Parse(t, strings.Replace(homieHouse, "id: store", "id: larder", 1))
	r.do(fold.NewConfigure(r.facility, r.catalog, "lead"))
	r.send("homie/store/air/temperature", "45", minute(2))
	r.tick(minute(2))
	r.stop()
	r.start(minute(3))
	r.send("homie/store/air/temperature", "45", minute(3))
	if s, got := r.tick(minute(3)), r.stored("larder", sensors.Temperature); len(got) != 2 {
		t.Errorf("%d of 2 readings are stored; refused: %+v", len(got), s.Rejected)
	}
}

// delivered sends a message of the hall's sensor, which has no clock, as a
// broker delivers it.
func (r *rig) delivered(payload string, at time.Time, d sensors.Delivery) {
	r.messages <- sensors.Message{Topic: "t/hall/a", Payload: []byte(payload), Received: at, Delivery: d, Ack: func() { r.acked.Add(1) }}
}

// A message without a time of its own that is delivered again, as the broker
// never heard that it was stored, is one reading; one that never was stored is
// kept.
func TestComplaint3RedeliveryIsStoredOnce(t *testing.T) {
	r := newRig(t)
	r.delivered("21.5", minute(0), sensors.Delivery{Packet: 7})
	r.delivered("21.5", minute(1), sensors.Delivery{Packet: 8})
	r.tick(minute(1))
	again := func(packet uint16, body string, m int) {
		r.delivered(body, minute(m), sensors.Delivery{Packet: packet, Again: true, Queued: true})
	}
	want := func(n int, what string) {
		t.Helper()
		if got := r.stored("hall-a", sensors.Temperature); len(got) != n {
			t.Errorf("%s: %d readings, want %d", what, len(got), n)
		}
	}
	again(8, "21.5", 2)
	if n := counted(r.tick(minute(2)), desk.Duplicate); n != 1 {
		t.Errorf("%d messages are counted as duplicates", n)
	}
	want(2, "again over a broken connection")
	r.stop()
	r.start(minute(10))
	again(7, "21.5", 11)
	again(8, "21.5", 11)
	again(9, "21.5", 11)
	r.tick(minute(11))
	want(3, "again after a kill, with one that was never stored")
	again(9, "21.7", 12)
	r.tick(minute(12))
	want(4, "another message under an identifier that is used anew")
	// Identifiers begin anew with a new session.
	r.links <- snapshot.Link{Connected: true, Subscribed: true, Since: minute(13), SessionLost: minute(13)}
	again(8, "21.5", 14)
	s := r.tick(minute(14))
	want(5, "after the broker has forgotten the session")
	if s.SessionsLost != 1 || !s.SessionLost.Equal(minute(13)) {
		t.Errorf("%d sessions lost, the last at %v", s.SessionsLost, s.SessionLost)
	}
	r.stop()
	r.start(minute(15))
	if s := r.tick(minute(15)); s.SessionsLost != 1 {
		t.Errorf("after a restart %d sessions were lost", s.SessionsLost)
	}
}

// What waited at the broker for nobody knows how long is kept and not taken for
// the present; the first message that did not wait is.
func TestComplaint1BacklogIsOfUnknownAge(t *testing.T) {
	r := newRig(t)
	for m := range 35 {
		r.send("t/hall/a", "21.5", minute(m))
		r.ticks <- timekeeping.Right(minute(m))
	}
	r.stop()
	r.start(minute(335))
	for i := range 300 {
		r.delivered(fmt.Sprintf("%.1f", 36+float64(i%7)/10), minute(335), sensors.Delivery{Packet: uint16(i + 1), Queued: true})
	}
	check := func(s *snapshot.Snapshot) {
		t.Helper()
		v := sensorNamed(t, s, "hall-a")
		if !s.Rooms[1].Blind || s.Rooms[1].Warmest != nil || len(v.Values) != 0 || !v.LastReading.Equal(minute(34)) {
			t.Errorf("a backlog is taken for the present: %+v, %+v", s.Rooms[1], v)
		}
		if !slices.ContainsFunc(v.Findings, func(f desk.FindingView) bool { return strings.Contains(f.Text, "waited at the broker") }) {
			t.Errorf("findings %+v", v.Findings)
		}
	}
	check(r.tick(minute(335).Add(time.Second)))
	r.stop()
	r.start(minute(336))
	check(r.tick(minute(336)))
	kept := 0
	for _, reading := range r.stored("hall-a", sensors.Temperature) {
		if reading.Flag == sensors.AgeUnknown {
			kept++
		}
	}
	if kept != 300 {
		t.Errorf("%d of 300 messages are kept", kept)
	}
	r.send("t/hall/a", "21.6", minute(337))
	s := r.tick(minute(337))
	v := sensorNamed(t, s, "hall-a")
	if s.Rooms[1].Blind || *s.Rooms[1].Temperature != 21.6 || len(v.Findings) != 0 || v.ExpectedInterval != time.Minute {
		t.Errorf("the present: %+v, %+v", s.Rooms[1], v)
	}
	if again := r.replayed(); len(again.Final.Alarms) != len(s.Alarms) {
		t.Errorf("%d alarms live, %d replayed", len(s.Alarms), len(again.Final.Alarms))
	}
}

// plugHouse has a sensor of a Sparkplug network.
const plugHouse = `
facility: {name: Test House, timezone: UTC}
broker: {address: "tcp://127.0.0.1:1883", client_id: test}
rooms:
  - {id: hall, name: Hall}
sensors:
  - id: plug
    room: hall
    interval: 60s
    inputs:
      - topic: spBv1.0/farm/+/edge/plug
        format: sparkplug
        values: [{quantity: temperature, at: Air/Temperature}]
`

// sparkplug is a payload of one metric; a value that is nil is null.
func sparkplug(seq uint64, name string, at time.Time, value *float32) []byte {
	number := func(b []byte, n protowire.Number, v uint64) []byte {
		return protowire.AppendVarint(protowire.AppendTag(b, n, protowire.VarintType), v)
	}
	var metric []byte
	if name != "" {
		metric = protowire.AppendString(protowire.AppendTag(metric, 1, protowire.BytesType), name)
	}
	metric = number(number(metric, 2, 7), 3, uint64(at.UnixMilli()))
	if value == nil {
		metric = number(number(metric, 4, 9), 7, 1)
	} else {
		metric = protowire.AppendFixed32(protowire.AppendTag(metric, 12, protowire.Fixed32Type), math.Float32bits(*value))
	}
	body := number(nil, 1, uint64(at.UnixMilli()))
	body = protowire.AppendBytes(protowire.AppendTag(body, 2, protowire.BytesType), metric)
	return number(body, 3, seq)
}

// A kill between the commit and the acknowledgements has the broker deliver a
// session's births again, before what came since. A birth that has no value yet
// ends the session as little as one that has.
func TestSparkplugSessionGoesOnAfterAKill(t *testing.T) {
	r := newRigOf(t, plugHouse)
	send := func(kind string, body []byte, m int, d sensors.Delivery) {
		r.messages <- sensors.Message{Topic: "spBv1.0/farm/" + kind, Payload: body, Received: minute(m), Delivery: d, Ack: func() {}}
	}
	celsius := func(v float32) *float32 { return &v }
	births := func(m int, again bool) {
		send("NBIRTH/edge", sparkplug(0, "Uptime", minute(0), celsius(1)), m, sensors.Delivery{Packet: 1, Again: again})
		send("DBIRTH/edge/plug", sparkplug(1, "Air/Temperature", minute(0), nil), m, sensors.Delivery{Packet: 2, Again: again})
		send("DDATA/edge/plug", sparkplug(2, "", minute(1), celsius(21)), m, sensors.Delivery{Packet: 3, Again: again})
	}
	births(1, false)
	r.tick(minute(1))
	r.stop()
	r.start(minute(9))
	births(9, true)
	for m := 2; m < 9; m++ {
		send("DDATA/edge/plug", sparkplug(uint64(m+1), "", minute(m), celsius(21)), 9, sensors.Delivery{Packet: uint16(m + 2), Queued: true})
	}
	s := r.tick(minute(9))
	if got := r.stored("plug", sensors.Temperature); len(got) != 8 {
		t.Errorf("of 8 readings %d are stored; messages %+v, refused %+v", len(got), s.Messages, s.Rejected)
	}
}
