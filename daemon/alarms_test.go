package daemon

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// bench is a trial that tests feed minute by minute.
type trialBench struct {
	*Trial
	t     *testing.T
	now   time.Time
	steps []records.AlarmTransition
}

func newBench(t *testing.T, text string) *trialBench {
	t.Helper()
	catalog, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	trial, err := NewTrialWith(parseFacility(t, text), catalog, testStart, TrialOptions{ForecastEvery: 24 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	return &trialBench{Trial: trial, t: t, now: testStart}
}

func (b *trialBench) do(c Command) {
	b.t.Helper()
	if err := b.Do(c); err != nil {
		b.t.Fatal(err)
	}
}

// cohort puts monarchs in a stage into the nursery.
func (b *trialBench) cohort(stage rearing.StageID) {
	b.t.Helper()
	b.do(AddCohort{Who: "test", Cohort: rearing.Cohort{
		ID: "m", Species: "danaus-plexippus", Start: b.now, StartStage: stage, Individuals: 50,
		Placements: []rearing.Placement{{Room: "nursery", From: b.now}},
	}})
}

// air lets minutes pass with a reading of both nursery sensors in each; NaN
// sends nothing.
func (b *trialBench) air(minutes int, temperature, humidity float64) {
	b.t.Helper()
	for range minutes {
		b.now = b.now.Add(time.Minute)
		for _, topic := range []string{"t/nursery/a", "t/nursery/b"} {
			body := fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":%g}`, b.now.Unix(), temperature+0.01*float64(b.now.Minute()%3), humidity)
			if err := b.Message(sensors.Message{Topic: topic, Received: b.now, Payload: body}); err != nil {
				b.t.Fatal(err)
			}
		}
	}
	b.wait(0)
}

func (b *trialBench) wait(d time.Duration) {
	b.t.Helper()
	b.now = b.now.Add(d)
	if err := b.Advance(b.now); err != nil {
		b.t.Fatal(err)
	}
	b.steps = append(b.steps, b.TakeSteps()...)
}

// raised lists the alarms raised so far.
func (b *trialBench) raised() map[alerts.Condition]int {
	n := map[alerts.Condition]int{}
	for _, s := range b.steps {
		if s.Event == alerts.EventRaise {
			n[s.Key.Condition]++
		}
	}
	return n
}

func (b *trialBench) limit(room sensors.RoomID, c alerts.Condition) (LimitView, bool) {
	for _, r := range b.Snapshot().Rooms {
		for _, l := range r.Limits {
			if r.ID == room && l.Condition == c {
				return l, true
			}
		}
	}
	return LimitView{}, false
}

func TestRoomIsNotBlindBeforeItsSensorsHadTheirChance(t *testing.T) {
	b := newBench(t, testFacility)
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
	with := func(facilityLimits, roomLimits string) *trialBench {
		text := strings.Replace(testFacility, "rooms:\n  - {id: nursery, name: Nursery}",
			"limits: {"+facilityLimits+"}\nrooms:\n  - {id: nursery, name: Nursery, limits: {"+roomLimits+"}}", 1)
		b := newBench(t, text)
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
	empty := newBench(t, strings.Replace(testFacility, "rooms:\n", "limits: {heat_celsius: 30}\nrooms:\n", 1))
	empty.air(30, 45, 50)
	if _, ok := empty.limit("nursery", conditions.Heat); ok || empty.raised()[conditions.Heat] != 0 {
		t.Error("an empty room has a heat limit or alarm")
	}
}

func TestChangedLimitsAreLogged(t *testing.T) {
	r := newRig(t)
	r.tick(testStart.Add(time.Minute))
	r.stop()
	heat := 31.0
	r.facility.Rooms[0].Limits.HeatCelsius = &heat
	r.start(testStart.Add(time.Hour))
	s := r.tick(testStart.Add(time.Hour + time.Minute))
	if len(s.LimitChanges) != 1 || s.LimitChanges[0].What != "room nursery heat_celsius" || s.LimitChanges[0].To != "31" {
		t.Fatalf("changes %+v, want one to 31 °C in the nursery", s.LimitChanges)
	}
	r.stop()
	reader, err := records.OpenReader(t.Context(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	logged := 0
	for e, err := range reader.Journal(t.Context(), time.Time{}, farFuture) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Kind == "limits" {
			logged++
			if e.Who != "configuration" {
				t.Errorf("logged as of %q", e.Who)
			}
		}
	}
	if logged != 2 {
		t.Errorf("%d entries in the journal, want the first configuration and the change", logged)
	}
}

func TestInjuryMovesWithTheCohort(t *testing.T) {
	b := newBench(t, testFacility)
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
	b := newBench(t, testFacility)
	b.cohort("egg")
	for range 9 * 24 {
		b.air(1, 25, 70)
		b.wait(59 * time.Minute)
	}
	if n := b.raised()[conditions.CohortOverdue]; n == 0 {
		t.Fatalf("eggs of which nobody saw a larva in nine days at 25 °C are no alarm: %v", b.raised())
	}
	b.do(RecordCount{Count: rearing.Count{Cohort: "m", Time: b.now, Stage: "larva-1", Seen: 48, Of: 50, OrBeyond: true, By: "keeper"}})
	b.air(15, 25, 70)
	for _, a := range b.Snapshot().Alarms {
		if a.Key.Condition == conditions.CohortOverdue && a.Active {
			t.Errorf("still overdue after the count: %s", a.Detail)
		}
	}
}

func TestColdCohortStandsStill(t *testing.T) {
	b := newBench(t, testFacility)
	b.cohort("larva-3")
	b.air(26*60, 10, 70)
	if b.raised()[conditions.CohortStalled] != 1 {
		t.Errorf("a day below the threshold of 11.5 °C: %v", b.raised())
	}
}

func TestTroubleOfRearguardItself(t *testing.T) {
	b := newBench(t, testFacility)
	b.do(houseEvent{
		Store:    PartTrouble{Since: b.now, Problem: "no space left on device"},
		Delivery: DeliveryTrouble{Waiting: 2, Oldest: b.now, Problem: "mail: connection refused"},
	})
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
	b.do(houseEvent{})
	b.wait(15 * time.Minute)
	for _, a := range b.Snapshot().Alarms {
		if a.Active && a.Key.Room == "" && a.Key.Condition != conditions.BrokerLost {
			t.Errorf("%v is still on", a.Key)
		}
	}
}

func TestClockOfTheMachine(t *testing.T) {
	b := newBench(t, testFacility)
	b.air(3, 25, 70)
	if o := b.core.clockOffset(); o == nil || *o > time.Second || *o < -time.Second {
		t.Errorf("offset %v with clocks that agree", o)
	}
	// Both sensors say that it is four minutes later than this machine does.
	for range 20 {
		b.now = b.now.Add(time.Minute)
		for _, topic := range []string{"t/nursery/a", "t/nursery/b"} {
			body := fmt.Appendf(nil, `{"ts":%d,"t":25,"h":70}`, b.now.Add(4*time.Minute).Unix())
			if err := b.Message(sensors.Message{Topic: topic, Received: b.now, Payload: body}); err != nil {
				t.Fatal(err)
			}
		}
	}
	b.wait(0)
	if b.raised()[conditions.ClockWrong] != 1 {
		t.Errorf("a machine four minutes behind all its sensors: %v", b.raised())
	}
}

func TestSpikesDoNotCountForHarm(t *testing.T) {
	b := newBench(t, testFacility)
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

func TestLimitsToTry(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	for m := range 240 {
		temperature := 25.0
		if m >= 60 && m < 120 {
			temperature = 34
		}
		at := testStart.Add(time.Duration(m) * time.Minute)
		r.air(at, temperature, 70)
		r.ticks <- at.Add(5 * time.Second)
	}
	r.do(RecordCount{Count: rearing.Count{Cohort: "monarch-1", Time: testStart.Add(3 * time.Hour), Stage: "egg", Seen: 90, Of: 95, Lost: 5, Cause: "dried", By: "keeper"}})
	r.tick(testStart.Add(240 * time.Minute))
	catalog, err := rearing.Library()
	if err != nil {
		t.Fatal(err)
	}
	desk := AlarmDesk{Facility: r.facility, Catalog: catalog, Records: r.store.Reader}
	heat := func(list []Episode) int {
		n := 0
		for _, e := range list {
			if e.Condition == conditions.Heat && e.Called {
				n++
			}
		}
		return n
	}
	for limit, want := range map[float64]int{33: 1, 35: 0, 30: 1} {
		tried, err := desk.Try(t.Context(), TryRequest{Room: "nursery", Days: 1, Limits: facility.Limits{HeatCelsius: &limit}})
		if err != nil {
			t.Fatal(err)
		}
		if heat(tried.Happened) != 1 || heat(tried.Would) != want || len(tried.Losses) != 1 {
			t.Errorf("limit %v: %d happened, %d would have, %d losses; want 1, %d, 1\n%+v", limit, heat(tried.Happened), heat(tried.Would), len(tried.Losses), want, tried.Would)
		}
	}
	report, err := desk.Performance(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if report.Calls == 0 || report.Unacknowledged == 0 || len(report.Top) == 0 || len(report.Lines()) < 12 {
		t.Errorf("performance of a day with a heat alarm: %+v", report)
	}
	if s := r.engine.Snapshot().AlarmTotals; s.CallsDay != report.Calls {
		t.Errorf("%d calls counted on the way, %d in the audit", s.CallsDay, report.Calls)
	}
}
