package daemon

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/fold"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
)

// machine is a rig on a machine whose wall clock is off. Sensors a and b of the
// nursery have clocks of their own, that of the hall has none.
type machine struct {
	*rig
	// now is the true time, wall by how much the wall clock is ahead of it.
	now  time.Time
	wall time.Duration
	// disciplined is what the kernel says of the wall clock. Own is by how much
	// the sensors' clocks are ahead, nil where they do not report.
	disciplined bool
	own         *time.Duration
}

// on puts a machine with right clocks around a rig.
func (r *rig) on(now time.Time) *machine { return &machine{rig: r, now: now, own: new(time.Duration)} }

func (m *machine) beat() timekeeping.Beat {
	b := timekeeping.Right(m.now)
	b.Wall, b.Disciplined = m.now.Add(m.wall), m.disciplined
	return b
}

// again stops the program and starts it after a while.
func (m *machine) again(after time.Duration) {
	m.t.Helper()
	m.stop()
	m.now = m.now.Add(after)
	m.startAt(m.beat())
	m.connect()
}

func (m *machine) connect() {
	m.links <- snapshot.Link{Address: "tcp://broker", Connected: true, Subscribed: true, Since: m.engine.opts.Clock.At(m.beat().Elapsed)}
}

// look has the engine look at the clocks.
func (m *machine) look() *snapshot.Snapshot {
	m.ticks <- m.beat()
	m.ticks <- m.beat()
	return m.engine.Snapshot()
}

// minutes lets time pass with a report of every sensor in each minute.
func (m *machine) minutes(n int, celsius float64) *snapshot.Snapshot {
	for range n {
		m.now = m.now.Add(time.Minute)
		received := m.engine.opts.Clock.At(m.beat().Elapsed)
		shown := celsius + 0.01*float64(m.now.Minute()%3)
		if m.own != nil {
			body := fmt.Sprintf(`{"ts":%d,"t":%g,"h":70}`, m.now.Add(*m.own).Unix(), shown)
			m.send("t/nursery/a", body, received)
			m.send("t/nursery/b", body, received)
		}
		m.send("t/hall/a", fmt.Sprintf("%.2f", shown), received.Add(time.Millisecond))
		m.ticks <- m.beat()
	}
	return m.look()
}

// active is the alarm of a condition that is on, nil if there is none.
func active(s *snapshot.Snapshot, c alerts.Condition) *snapshot.Alarm {
	for i := range s.Alarms {
		if s.Alarms[i].Key.Condition == c && s.Alarms[i].Active {
			return &s.Alarms[i]
		}
	}
	return nil
}

// due reports whether a notice about a condition is due by the engine's time.
func (m *machine) due(c alerts.Condition) bool {
	m.t.Helper()
	rows, err := m.records().NoticesBetween(m.t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		m.t.Fatal(err)
	}
	return slices.ContainsFunc(rows, func(n notify.Notice) bool {
		return n.State == notify.Pending && !n.DueAt.After(m.engine.Snapshot().Time) && strings.Contains(string(n.Payload), fmt.Sprintf("%q", c))
	})
}

// near says that the engine's time is the true one.
func (m *machine) near(s *snapshot.Snapshot, within time.Duration) {
	m.t.Helper()
	if off := s.Time.Sub(m.now); off.Abs() > within {
		m.t.Errorf("the engine's time is %v, %v from the true one", s.Time, off)
	}
}

// alike says that a replay of the records comes out as it was live.
func (m *machine) alike() {
	m.t.Helper()
	m.stop()
	live := m.engine.Snapshot()
	got := m.replayed()
	if d := cmp.Diff(transitions(m.t, m.path), got.Transitions); d != "" {
		m.t.Errorf("alarms live and replayed:\n%s", d)
	}
	if d := cmp.Diff(live.Cohorts, got.Final.Cohorts); d != "" {
		m.t.Errorf("cohorts live and replayed:\n%s", d)
	}
	if d := cmp.Diff(live.Alarms, got.Final.Alarms); d != "" {
		m.t.Errorf("alarms on live and replayed:\n%s", d)
	}
	if !live.Time.Equal(got.Final.Time) {
		m.t.Errorf("time live %v, replayed %v", live.Time, got.Final.Time)
	}
	m.startAt(m.beat())
	again := m.engine.Snapshot()
	if d := cmp.Diff(live.Cohorts, again.Cohorts); d != "" {
		m.t.Errorf("cohorts before and after a restart:\n%s", d)
	}
}

// began is a machine on which a cohort has been in the nursery for a while.
func began(t *testing.T) *machine {
	t.Helper()
	m := newRig(t).on(testStart)
	m.connect()
	m.monarchs(testStart)
	m.minutes(95, 25)
	return m
}

func TestClockBehindTheRecordsAtTheStart(t *testing.T) {
	m := began(t)
	// The records are an hour ahead of the truth, as the sensors know.
	ahead := m.now
	m.again(-time.Hour)
	s := m.minutes(15, 41)
	if active(s, conditions.Heat) == nil {
		t.Errorf("a quarter of an hour at 41 °C and no heat alarm: %+v", s.Alarms)
	}
	m.near(s, time.Second)
	if s.Clock.Doubt.Problem != "" || s.Clock.Steps != 1 || s.Clock.Last.By() > -time.Hour {
		t.Errorf("the clock is %+v; want one step back of an hour", s.Clock)
	}
	if active(s, conditions.ClockMoved) == nil {
		t.Error("nobody is told that the clock was moved by an hour")
	}
	for _, r := range m.stored("nursery-a", sensors.Temperature) {
		if r.Time.After(s.Time) && r.Flag != sensors.Fail {
			t.Fatalf("a reading of %v, ahead of the clock, counts as %v", r.Time, r.Flag)
		}
	}
	// The hour is gone through again, and what was recorded of it by the wrong
	// clock does not count.
	s = m.minutes(60, 25)
	if !m.now.After(ahead) || active(s, conditions.Heat) != nil {
		t.Errorf("heat an hour later: %+v", s.Alarms)
	}
	m.alike()
}

func TestClockBehindTheRecordsThatNothingBearsOut(t *testing.T) {
	m := began(t)
	m.own = nil
	m.wall = -3 * time.Hour
	m.again(time.Minute)
	s := m.minutes(20, 25)
	if s.Clock.Doubt.Problem == "" || active(s, conditions.ClockWrong) == nil {
		t.Errorf("the clock is three hours behind the records: %+v, alarms %+v", s.Clock, s.Alarms)
	}
	m.near(s, 2*time.Minute)
	if m.engine.opts.Clock.Settled() {
		t.Error("history may be deleted by a clock that is doubted")
	}
	m.do(fold.ConfirmClock{Who: "lead"})
	s = m.look()
	if s.Clock.Doubt.Problem != "" || (s.Time.Sub(m.now)-m.wall).Abs() > time.Second {
		t.Errorf("a person has confirmed the clock, and the time is %v: %+v", s.Time, s.Clock)
	}
	if err := m.engine.Do(t.Context(), fold.ConfirmClock{Who: "lead"}); err == nil {
		t.Error("a clock that nobody doubts is confirmed")
	}
	if s := m.minutes(12, 25); active(s, conditions.ClockWrong) != nil {
		t.Error("people are still told that the clock is wrong")
	}
	m.alike()
}

func TestClockAYearAheadAtAStart(t *testing.T) {
	m := began(t)
	before := m.engine.Snapshot().Cohorts[0].ThermalTime
	m.wall = 365 * 24 * time.Hour
	m.own = nil
	m.again(time.Minute)
	m.minutes(1, 25)
	m.wall, m.own = 0, new(time.Duration)
	m.again(time.Minute)
	s := m.minutes(60, 41)
	m.near(s, 5*time.Second)
	if active(s, conditions.Heat) == nil {
		t.Error("an hour at 41 °C and no heat alarm")
	}
	if grown := s.Cohorts[0].ThermalTime - before; grown > 3 || s.Clock.Steps != 0 {
		t.Errorf("an hour is %.2f degree-days, the clock %+v", grown, s.Clock)
	}
	for _, total := range s.Messages {
		if total.Outcome == "ancient" || total.Outcome == "future" {
			t.Errorf("%d messages are %s", total.Count, total.Outcome)
		}
	}
	m.alike()
}

// For a while the wall clock is ahead, and then right again.
func TestClockAheadForAWhile(t *testing.T) {
	for _, c := range []struct {
		name                string
		by                  time.Duration
		disciplined, stamps bool
	}{
		{"half an hour, borne out by nothing", 30 * time.Minute, false, true},
		{"half an hour, and no sensor has a clock", 30 * time.Minute, false, false},
		{"two hours, and the kernel believes it", 2 * time.Hour, true, false},
		{"a year, borne out by nothing", 365 * 24 * time.Hour, false, true},
		{"a year, and the kernel believes it", 365 * 24 * time.Hour, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := began(t)
			m.disciplined = c.disciplined
			if !c.stamps {
				m.own = nil
			}
			before := m.look().Cohorts[0].ThermalTime
			m.wall = c.by
			m.look()
			m.now = m.now.Add(5 * time.Second)
			m.look()
			m.wall = 0
			m.own = new(time.Duration)
			s := m.minutes(60, 25)
			m.near(s, time.Second)
			if s.Rooms[0].Blind || s.Rooms[1].Blind || s.Clock.Doubt.Problem != "" {
				t.Errorf("an hour after the clock was put right rooms are blind, or it is doubted: %+v", s.Clock)
			}
			if grown := s.Cohorts[0].ThermalTime - before; math.Abs(grown-13.5/24) > 0.02 {
				t.Errorf("an hour at 25 °C is %.4f degree-days, want %.4f", grown, 13.5/24)
			}
			if s = m.minutes(20, 41); active(s, conditions.Heat) == nil {
				t.Error("twenty minutes at 41 °C and no heat alarm")
			}
			if !m.due("heat") {
				t.Error("the notice of the heat is not due")
			}
			m.alike()
		})
	}
}

func TestClockSetBackWhileRunning(t *testing.T) {
	for _, c := range []struct {
		name     string
		stamps   bool
		believed bool
	}{
		{"the sensors' clocks are right", true, false},
		{"nothing tells the time", false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newRigOf(t, strings.ReplaceAll(nothingStamped(c.stamps), "age_limit: 2400h", "age_limit: 24h")).on(testStart)
			m.connect()
			m.monarchs(testStart)
			m.minutes(95, 25)
			m.wall = -30 * time.Minute
			s := m.minutes(20, 41)
			if active(s, conditions.Heat) == nil || s.Rooms[0].Blind {
				t.Errorf("twenty minutes at 41 °C and no heat alarm: %+v", s.Alarms)
			}
			if moved := s.Clock.Steps > 0; moved != c.believed || moved == (s.Clock.Doubt.Problem != "") {
				t.Errorf("the clock is %+v", s.Clock)
			}
			if !m.due("heat") {
				t.Error("the notice of the heat is not due")
			}
			m.alike()
		})
	}
}

// nothingStamped is the facility, if need be with sensors that have no clocks.
func nothingStamped(stamps bool) string {
	if stamps {
		return foldtest.Facility
	}
	return strings.ReplaceAll(foldtest.Facility, "        time: {at: /ts, unit: s}\n", "")
}

func TestBoardWithoutABatteryForItsClock(t *testing.T) {
	for _, stamps := range []bool{true, false} {
		t.Run(fmt.Sprintf("sensors with clocks: %v", stamps), func(t *testing.T) {
			m := &machine{rig: newRigWith(t, nothingStamped(stamps)), now: testStart, own: new(time.Duration)}
			m.wall = time.Unix(30, 0).Sub(testStart)
			m.startAt(m.beat())
			m.connect()
			m.monarchs(m.engine.Snapshot().Time.Add(-time.Hour))
			s := m.minutes(20, 41)
			if active(s, conditions.Heat) == nil {
				t.Errorf("twenty minutes at 41 °C and no heat alarm: %+v", s.Alarms)
			}
			if s.Clock.Doubt.Problem == "" || m.engine.opts.Clock.Settled() {
				t.Errorf("the clock of 1970 is not doubted: %+v", s.Clock)
			}
			if stamps {
				m.near(s, 2*time.Minute)
			}
			m.wall, m.disciplined = 0, true
			s = m.minutes(5, 41)
			m.near(s, time.Second)
			if s.Clock.Doubt.Problem != "" || active(s, conditions.Heat) == nil || !m.engine.opts.Clock.Settled() {
				t.Errorf("a time server has set the clock: %+v, alarms %+v", s.Clock, s.Alarms)
			}
			m.alike()
		})
	}
}

// A clock a little behind the records is doubted also after another restart, by
// when it has come to be after them: the reading of a sensor whose clock is
// right is not refused as being ahead.
func TestDoubtedClockOutlivesARestart(t *testing.T) {
	m := began(t)
	m.own = nil
	m.wall = -10 * time.Minute
	m.again(time.Minute)
	m.minutes(2, 25)
	m.again(20 * time.Minute)
	m.send("t/nursery/a", fmt.Sprintf(`{"ts":%d,"t":25,"h":70}`, m.now.Unix()), m.engine.opts.Clock.At(m.beat().Elapsed))
	s := m.look()
	for _, total := range s.Messages {
		if total.Outcome == "future" {
			t.Errorf("%d messages are refused as being ahead of a clock that is wrong", total.Count)
		}
	}
	if got := m.stored("nursery-a", sensors.Temperature); !got[len(got)-1].Time.Equal(m.now) {
		t.Errorf("the newest reading is of %v, want %v", got[len(got)-1].Time, m.now)
	}
}

// What waited at the broker while the clock is doubted keeps its own time: what
// is delivered again is known for what was stored, though the sensor else
// reports as it measures.
func TestBacklogUnderADoubtedClock(t *testing.T) {
	m := &machine{rig: newRigWith(t, foldtest.Facility), now: testStart, own: new(time.Duration)}
	m.wall = time.Unix(30, 0).Sub(testStart)
	m.startAt(m.beat())
	m.connect()
	m.minutes(20, 25)
	stored := len(m.stored("nursery-a", sensors.Temperature))
	last := m.now
	m.now = m.now.Add(26 * time.Minute)
	for minute := range 3 {
		at := last.Add(time.Duration(minute) * time.Minute)
		m.messages <- sensors.Message{
			Topic: "t/nursery/a", Payload: fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":70}`, at.Unix(), 25+0.01*float64(at.Minute()%3)),
			Received: m.engine.opts.Clock.At(m.beat().Elapsed),
			Delivery: sensors.Delivery{Packet: uint16(1 + minute), Again: minute == 0, Queued: true}, Ack: func() { m.acked.Add(1) },
		}
	}
	m.look()
	got := m.stored("nursery-a", sensors.Temperature)
	if len(got) != stored+2 {
		t.Fatalf("%d readings, and %d before one came again and two came late", len(got), stored)
	}
	if newest := got[len(got)-1].Time; !newest.Equal(last.Add(2 * time.Minute)) {
		t.Errorf("the newest reading is of %v, want its own time %v", newest, last.Add(2*time.Minute))
	}
}

// A machine whose clock is kept in local time is an hour ahead until a time
// server sets it, and its kernel does not say that it did.
func TestClockInLocalTimeAtTheStart(t *testing.T) {
	undisturbed, m := began(t), began(t)
	for _, one := range []*machine{undisturbed, m} {
		one.own = nil
		one.again(2 * time.Hour)
		one.own = new(time.Duration)
	}
	m.stop()
	m.wall = time.Hour
	m.startAt(m.beat())
	m.connect()
	m.now = m.now.Add(30 * time.Second)
	m.send("t/hall/a", "25", m.engine.opts.Clock.At(m.beat().Elapsed))
	m.look()
	m.wall = 0
	m.look()
	m.now = m.now.Add(-30 * time.Second)
	want, got := undisturbed.minutes(180, 25), m.minutes(180, 25)
	m.near(got, time.Minute)
	if a, b := want.Cohorts[0].ThermalTime, got.Cohorts[0].ThermalTime; math.Abs(a-b) > 0.02 {
		t.Errorf("undisturbed %.4f degree-days, with the clock set back %.4f", a, b)
	}
	m.alike()
}

func TestSensorAnHourAhead(t *testing.T) {
	m := began(t)
	m.disciplined = true
	hour := time.Hour
	m.own = &hour
	s := m.minutes(70, 25)
	a := sensorNamed(t, s, "nursery-a")
	if len(a.Findings) == 0 || !strings.Contains(a.Findings[0].Text, "its clock is 60 min ahead") {
		t.Errorf("the sensor's page says %+v", a.Findings)
	}
	silent := active(s, conditions.SensorSilent)
	if silent == nil || !strings.Contains(silent.Detail, "its clock is 60 min ahead") {
		t.Errorf("the alarms are %+v", s.Alarms)
	}
	m.alike()
	m.connect()
	m.own = new(time.Duration)
	s = m.minutes(20, 25)
	if a := sensorNamed(t, s, "nursery-a"); strings.Contains(fmt.Sprint(a.Findings), "its clock") || a.Silent {
		t.Errorf("after it was put right the sensor's page says %+v", a.Findings)
	}
	m.alike()
}
