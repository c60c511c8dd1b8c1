package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

const testFacility = `
facility: {name: Test House, timezone: UTC}
broker: {address: "tcp://127.0.0.1:1883", client_id: test}
ingest: {age_limit: 2400h}
rooms:
  - {id: nursery, name: Nursery}
  - {id: hall, name: Hall}
sensors:
  - id: nursery-a
    room: nursery
    position: shelf 1
    interval: 60s
    inputs:
      - topic: t/nursery/a
        format: json
        time: {at: /ts, unit: s}
        values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: "%"}]
  - id: nursery-b
    room: nursery
    interval: 60s
    inputs:
      - topic: t/nursery/b
        format: json
        time: {at: /ts, unit: s}
        values: [{quantity: temperature, at: /t, unit: °C}, {quantity: humidity, at: /h, unit: "%"}]
  - id: hall-a
    room: hall
    interval: 60s
    inputs: [{topic: t/hall/a, format: plain, values: [{quantity: temperature, unit: °C}]}]
people: [{id: lead, name: Lead, email: lead@example.org}]
channels: [{id: hook, kind: webhook, url: "https://example.org/hook", secret_env: REARGUARD_TEST_SECRET}]
roster: [{who: [lead], channels: [hook], priorities: [low, medium, high, critical]}]
`

var testStart = time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)

// rig runs one engine on streams that the test feeds one event at a time.
type rig struct {
	t        *testing.T
	path     string
	facility *facility.Facility
	store    *records.Store
	engine   *Engine
	messages chan sensors.Message
	ticks    chan time.Time
	links    chan LinkView
	cancel   context.CancelFunc
	done     chan error
	acked    atomic.Int64
}

func parseFacility(t *testing.T, text string) *facility.Facility {
	t.Helper()
	t.Setenv("REARGUARD_TEST_SECRET", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	f, err := facility.Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{t: t, path: filepath.Join(t.TempDir(), "test.db"), facility: parseFacility(t, testFacility)}
	r.start(testStart)
	t.Cleanup(func() { r.stop() })
	return r
}

func (r *rig) start(now time.Time) {
	r.t.Helper()
	catalog, err := rearing.Library()
	if err != nil {
		r.t.Fatal(err)
	}
	if r.store, err = records.Open(r.t.Context(), r.path, records.Options{Synchronous: records.Normal}); err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	r.engine, err = New(ctx, Options{
		Facility: r.facility, Catalog: catalog, Store: r.store, Now: now,
		Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		cancel()
		r.t.Fatal(err)
	}
	r.cancel = cancel
	r.messages, r.ticks, r.links = make(chan sensors.Message), make(chan time.Time), make(chan LinkView)
	r.done = make(chan error, 1)
	go func() {
		r.done <- r.engine.Run(ctx, Sources{Messages: r.messages, Ticks: r.ticks, Links: r.links})
	}()
}

// stop ends the engine cleanly.
func (r *rig) stop() {
	if r.cancel == nil {
		return
	}
	r.cancel()
	r.cancel = nil
	if err := <-r.done; err != nil {
		r.t.Error(err)
	}
	if err := r.store.Close(); err != nil {
		r.t.Error(err)
	}
}

func (r *rig) send(topic, payload string, at time.Time) {
	r.messages <- sensors.Message{Topic: topic, Payload: []byte(payload), Received: at, Ack: func() { r.acked.Add(1) }}
}

// air sends one message of each nursery sensor.
func (r *rig) air(at time.Time, temperature, humidity float64) {
	body := fmt.Sprintf(`{"ts":%d,"t":%g,"h":%g}`, at.Unix(), temperature, humidity)
	r.send("t/nursery/a", body, at)
	r.send("t/nursery/b", body, at)
}

func (r *rig) tick(at time.Time) *Snapshot {
	r.ticks <- at
	// A second tick is taken only when the first has been handled.
	r.ticks <- at
	return r.engine.Snapshot()
}

func (r *rig) do(c Command) {
	r.t.Helper()
	if err := r.engine.Do(r.t.Context(), c); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) monarchs(at time.Time) {
	r.t.Helper()
	r.do(AddCohort{Who: "keeper", Cohort: rearing.Cohort{
		ID: "monarch-1", Species: "danaus-plexippus", Start: at, StartStage: "egg", Individuals: 100,
		Placements: []rearing.Placement{{Room: "nursery", From: at}},
	}})
}

func TestReadingsBecomeAirAndThermalTime(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	for m := range 24 * 60 {
		r.air(testStart.Add(time.Duration(m)*time.Minute), 25, 70)
	}
	last := testStart.Add(24*time.Hour - time.Minute)
	s := r.tick(last)
	if len(s.Cohorts) != 1 || len(s.Rooms) != 2 {
		t.Fatalf("%d cohorts and %d rooms", len(s.Cohorts), len(s.Rooms))
	}
	room := s.Rooms[0]
	if room.Blind || *room.Temperature != 25 || *room.Humidity != 70 || room.UsableSensors != 2 {
		t.Errorf("nursery: %+v", room)
	}
	if !s.Rooms[1].Blind || s.Rooms[1].Temperature != nil {
		t.Errorf("the hall has had no reading and is not blind: %+v", s.Rooms[1])
	}
	// 25 °C is 13.5 degrees above the monarch's threshold of 11.5 °C.
	want := 13.5 * (24*60 - 1) / (24 * 60)
	if got := s.Cohorts[0].ThermalTime; got < want-1e-9 || got > want+1e-9 {
		t.Errorf("thermal time %.12f, want %.12f", got, want)
	}
	if s.Cohorts[0].Estimated != 0 {
		t.Errorf("%.3f degree-days are estimated without a gap", s.Cohorts[0].Estimated)
	}
}

func TestOrderOfArrivalChangesNothing(t *testing.T) {
	play := func(order func([]int) []int) *Snapshot {
		r := newRig(t)
		r.monarchs(testStart)
		minutes := make([]int, 600)
		for i := range minutes {
			minutes[i] = i
		}
		arrival := testStart
		for _, m := range order(minutes) {
			at := testStart.Add(time.Duration(m) * time.Minute)
			body := fmt.Sprintf(`{"ts":%d,"t":%g,"h":70}`, at.Unix(), 20+float64(m%60)/100)
			arrival = later(arrival.Add(time.Millisecond), at)
			r.send("t/nursery/a", body, arrival)
			if m%7 == 0 {
				r.send("t/nursery/a", body, arrival)
			}
			r.ticks <- arrival
		}
		return r.tick(testStart.Add(11 * time.Hour))
	}
	inOrder := play(func(m []int) []int { return m })
	shuffled := play(func(m []int) []int {
		out := make([]int, 0, len(m))
		for i := 0; i < len(m); i += 50 {
			for j := min(i+50, len(m)) - 1; j >= i; j-- {
				out = append(out, m[j])
			}
		}
		return out
	})
	a, b := inOrder.Cohorts[0].ThermalTime, shuffled.Cohorts[0].ThermalTime
	if d := a - b; d < -1e-9 || d > 1e-9 || a == 0 {
		t.Errorf("thermal time in order %.12f, out of order %.12f", a, b)
	}
}

func TestClockSetBackStopsNothing(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	at := testStart.Add(time.Hour)
	r.air(at, 25, 70)
	if s := r.tick(at); s.Rooms[0].Blind {
		t.Fatal("blind with fresh readings")
	}
	// The machine's clock is set back by half an hour. Twenty minutes later
	// the sensors, silent since, must have been missed.
	back := at.Add(-30 * time.Minute)
	r.ticks <- back
	s := r.tick(back.Add(20 * time.Minute))
	if !s.Rooms[0].Blind {
		t.Errorf("at %v, twenty minutes after the last reading, the room is not blind", s.Time)
	}
}

func TestRefusedMessageIsListedOnce(t *testing.T) {
	r := newRig(t)
	r.send("t/nursery/a", `{"ts":0,"t":25,"h":70}`, testStart)
	r.send("t/nursery/a", `{"ts":1,"t":25,"h":70}`, testStart.Add(time.Second))
	s := r.tick(testStart.Add(2 * time.Second))
	if len(s.Rejected) != 2 {
		t.Errorf("two messages from 1970 with two values each are listed as %d: %+v", len(s.Rejected), s.Rejected)
	}
}

func TestAlarmsThatAreOnComeFirst(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	at := testStart
	minutes := func(n int, temperature float64) {
		for range n {
			at = at.Add(time.Minute)
			r.air(at, temperature, 70)
		}
		r.tick(at.Add(time.Second))
	}
	minutes(30, 25)
	minutes(30, 36)
	minutes(40, 25)
	r.send("t/hall/a", "21", at)
	// Heat is over, more urgent, and not acknowledged; silence is on.
	s := r.tick(at.Add(2 * time.Hour))
	active := true
	for _, a := range s.Alarms {
		if a.Active && !active {
			t.Fatalf("%s is on and stands below one that is over", a.Key)
		}
		active = a.Active
	}
	if n := len(s.Alarms); n < 2 || active || !s.Alarms[0].Active {
		t.Errorf("want alarms that are on and one that is over, got %d", n)
	}
}
