package fold

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

func TestRoomIsNotBlindBeforeItsSensorsHadTheirChance(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.wait(4 * time.Minute)
	if n := b.raised()[conditions.RoomBlind]; n != 0 {
		t.Errorf("%d rooms are blind four minutes after the start, with sensors that may be silent for five", n)
	}
	b.wait(30 * time.Minute)
	if n := b.raised()[conditions.RoomBlind]; n != 2 {
		t.Errorf("%d blind rooms after half an hour without any reading, want 2", n)
	}
	for _, a := range b.Snapshot().Alarms {
		if a.Key.Condition == conditions.RoomBlind && a.Unit != "" {
			t.Errorf("a blind room shows the number %v %s against %v", a.Value, a.Unit, a.Limit)
		}
	}
}

func TestWhoseLimitHolds(t *testing.T) {
	with := func(facilityLimits, roomLimits string) *scene {
		text := strings.Replace(foldtest.Facility, "rooms:\n  - {id: nursery, name: Nursery}",
			"limits: {"+facilityLimits+"}\nrooms:\n  - {id: nursery, name: Nursery, limits: {"+roomLimits+"}}", 1)
		b := newScene(t, text)
		b.cohort("larva-3")
		b.air(1, 25, 70)
		return b
	}
	// The monarch's own limits are 33 and 8 °C (library, assumed).
	for _, c := range []struct {
		name, facility, room string
		condition            alerts.Condition
		want                 float64
		by                   string
	}{
		{"cohort alone", "", "", conditions.Heat, 33, "cohort m"},
		{"facility stricter", "heat_celsius: 30", "", conditions.Heat, 30, "the facility's limits"},
		{"facility looser", "heat_celsius: 40", "", conditions.Heat, 33, "cohort m"},
		{"facility looser for cold", "chill_celsius: 2", "", conditions.Chill, 8, "cohort m"},
		{"facility stricter for cold", "chill_celsius: 12", "", conditions.Chill, 12, "the facility's limits"},
		{"room loosens", "heat_celsius: 30", "heat_celsius: 36", conditions.Heat, 36, "the room's own limits"},
		{"room tightens", "", "heat_celsius: 28", conditions.Heat, 28, "the room's own limits"},
		{"day swing of the house", "", "", conditions.DaySwing, 12, "common practice"},
		{"day swing of the facility", "day_swing_celsius: 6", "", conditions.DaySwing, 6, "the facility's limits"},
	} {
		l, ok := with(c.facility, c.room).limit("nursery", c.condition)
		if !ok || l.Value != c.want || !strings.HasPrefix(l.SetBy, c.by) {
			t.Errorf("%s: %v set by %q (%v), want %v by %q", c.name, l.Value, l.SetBy, ok, c.want, c.by)
		}
	}
	empty := newScene(t, strings.Replace(foldtest.Facility, "rooms:\n", "limits: {heat_celsius: 30}\nrooms:\n", 1))
	empty.air(30, 45, 50)
	if _, ok := empty.limit("nursery", conditions.Heat); ok || empty.raised()[conditions.Heat] != 0 {
		t.Error("an empty room has a heat limit or alarm")
	}
}

func TestInjuryMovesWithTheCohort(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.air(60, 40, 60)
	before := b.Snapshot().Cohorts[0].HeatInjury
	if before == nil || *before <= 0 {
		t.Fatalf("heat injury %v after an hour at 40 °C", before)
	}
	if n := b.raised()[conditions.HeatInjury]; n != 1 {
		t.Errorf("%d heat injury alarms, want 1", n)
	}
	b.do(MoveCohort{Cohort: "m", Room: "hall", At: b.now, Who: "keeper"})
	after := b.Snapshot().Cohorts[0].HeatInjury
	if after == nil || *after != *before {
		t.Errorf("injury %v before the move, %v after", *before, after)
	}
}

func TestOverdueCohortIsAnAlarmUntilCounted(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("egg")
	for range 9 * 24 {
		b.air(1, 25, 70)
		b.wait(59 * time.Minute)
	}
	if n := b.raised()[conditions.CohortOverdue]; n == 0 {
		t.Fatalf("eggs of which nobody saw a larva in nine days at 25 °C are no alarm: %v", b.raised())
	}
	b.do(RecordCount{Count: population.Count{Cohort: "m", Time: b.now, Stage: "larva-1", Seen: 48, Of: 50, OrBeyond: true, By: "keeper"}})
	b.air(15, 25, 70)
	for _, a := range b.Snapshot().Alarms {
		if a.Key.Condition == conditions.CohortOverdue && a.Active {
			t.Errorf("still overdue after the count: %s", a.Detail)
		}
	}
}

func TestColdCohortStandsStill(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.air(26*60, 10, 70)
	if b.raised()[conditions.CohortStalled] != 1 {
		t.Errorf("a day below the threshold of 11.5 °C: %v", b.raised())
	}
}

func TestTroubleOfRearguardItself(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.do(partsEvent{snapshot.PartsState{
		Store:    snapshot.PartTrouble{Since: b.now, Problem: "no space left on device"},
		Delivery: snapshot.DeliveryTrouble{Waiting: 2, Oldest: b.now, Problem: "mail: connection refused"},
	}})
	b.wait(15 * time.Minute)
	raised := b.raised()
	if raised[conditions.StoreFailing] != 1 || raised[conditions.NoticeUndeliverable] != 1 {
		t.Errorf("raised %v, want the records and the delivery", raised)
	}
	for _, a := range b.Snapshot().Alarms {
		if a.Key.Condition == conditions.StoreFailing && !strings.Contains(a.Detail, "no space left") {
			t.Errorf("says %q", a.Detail)
		}
	}
	b.do(partsEvent{})
	b.wait(15 * time.Minute)
	for _, a := range b.Snapshot().Alarms {
		if a.Active && a.Key.Room == "" && a.Key.Condition != conditions.BrokerLost {
			t.Errorf("%v is still on", a.Key)
		}
	}
}

func TestClockOfTheMachine(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.air(3, 25, 70)
	if o := b.fold.desk.ClockOffset(b.fold.clock); o == nil || *o > time.Second || *o < -time.Second {
		t.Errorf("offset %v with clocks that agree", o)
	}
	// Both sensors say that it is four minutes later than this machine does.
	for range 20 {
		b.now = b.now.Add(time.Minute)
		for _, topic := range []string{"t/nursery/a", "t/nursery/b"} {
			body := fmt.Appendf(nil, `{"ts":%d,"t":25,"h":70}`, b.now.Add(4*time.Minute).Unix())
			if err := b.Messages(sensors.Message{Topic: topic, Received: b.now, Payload: body}); err != nil {
				t.Fatal(err)
			}
		}
	}
	b.wait(0)
	if b.raised()[conditions.ClockWrong] != 1 {
		t.Errorf("a machine four minutes behind all its sensors: %v", b.raised())
	}
}

// One sensor that agrees with the machine shows that another is wrong, in
// whatever form it carries its time.
func TestClockOfTheMachineAgreesWithAnySensor(t *testing.T) {
	const atB = "topic: t/nursery/b\n        format: json\n        time: {at: /ts, unit: s}\n        values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: \"%\"}]"
	for _, c := range []struct {
		name, body string
		wrong      int
	}{
		{"with a time", `[{"bn":"b:","bt":%d,"n":"t","u":"Cel","v":25}]`, 0},
		{"without one", `[{"bn":"b:","n":"t","u":"Cel","v":25}]`, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(foldtest.Facility, atB, "topic: t/nursery/b\n        format: senml\n        values: [{quantity: temperature, at: \"b:t\"}]", 1)
			if text == foldtest.Facility {
				t.Fatal("the second sensor is not where it was")
			}
			b := newScene(t, text)
			for range 20 {
				b.now = b.now.Add(time.Minute)
				second := c.body
				if strings.Contains(second, "%d") {
					second = fmt.Sprintf(second, b.now.Add(-time.Second).Unix())
				}
				first := fmt.Sprintf(`{"ts":%d,"t":25,"h":70}`, b.now.Add(-4*time.Minute).Unix())
				for _, one := range [][2]string{{"t/nursery/a", first}, {"t/nursery/b", second}} {
					if err := b.Messages(sensors.Message{Topic: one[0], Received: b.now, Payload: []byte(one[1])}); err != nil {
						t.Fatal(err)
					}
				}
			}
			b.wait(0)
			if got := b.raised()[conditions.ClockWrong]; got != c.wrong {
				t.Errorf("one clock four minutes behind, another right: said %d times that this machine's is wrong, want %d", got, c.wrong)
			}
		})
	}
}

func TestSpikesDoNotCountForHarm(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	for range 60 {
		b.air(4, 25, 70)
		b.air(1, 60, 70)
	}
	for _, c := range []alerts.Condition{conditions.Heat, conditions.HeatInjury} {
		if b.raised()[c] != 0 {
			t.Errorf("single readings of 60 °C among good ones raise %s", c)
		}
	}
}
