package daemon

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
	"rearguard/sensors/desk"
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
	has := func(s *snapshot.Snapshot, topic string) *desk.UnclaimedTopic {
		i := slices.IndexFunc(s.Unclaimed, func(u desk.UnclaimedTopic) bool { return u.Topic == topic })
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
