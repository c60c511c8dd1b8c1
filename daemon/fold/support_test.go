package fold

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/limits"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rearing/species/speciestest"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

var testStart = foldtest.Start()

func minute(m int) time.Time { return testStart.Add(time.Duration(m) * time.Minute) }

// testOptions are those of a configuration, with forecasts once a day.
func testOptions(t testing.TB, text string) Options {
	t.Helper()
	return Options{
		Facility: foldtest.Parse(t, text), Catalog: speciestest.Library(t), Logger: slog.New(slog.DiscardHandler),
		ForecastEvery: 24 * time.Hour,
	}
}

// box is a fold whose past is in memory, with what it would have stored.
type box struct {
	fold   *Fold
	past   past.Memory
	steps  []records.AlarmTransition
	outbox []notify.Notice
	flags  []records.Reflag
}

func newBox(t testing.TB, o Options) *box {
	t.Helper()
	s, err := boxOf(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func boxOf(o Options) (*box, error) {
	s := &box{}
	var err error
	if s.fold, err = New(o, &s.past); err != nil {
		return nil, err
	}
	err = s.gather(s.fold.Resume(context.Background(), testStart))
	return s, err
}

func (s *box) gather(err error) error {
	if err != nil {
		return err
	}
	batch, err := s.fold.TakeBatch()
	if err != nil || batch == nil {
		return err
	}
	s.steps, s.outbox = append(s.steps, batch.Transitions...), append(s.outbox, batch.Outbox...)
	s.flags = append(s.flags, batch.Reflags...)
	s.past.Add(batch.Readings)
	return nil
}

func (s *box) Messages(ms ...sensors.Message) error {
	for _, m := range ms {
		s.fold.Admit(m)
	}
	return s.gather(s.fold.Handle(context.Background()))
}

func (s *box) Advance(now time.Time) error {
	return s.gather(s.fold.AdvanceTo(context.Background(), now))
}

func (s *box) Do(c Command) error { return s.gather(s.fold.Do(context.Background(), c)) }

func (s *box) Snapshot() *snapshot.Snapshot { return s.fold.Snapshot() }

func (s *box) TakeSteps() []records.AlarmTransition {
	steps := s.steps
	s.steps = nil
	return steps
}

func (s *box) TakeNotices() []notify.Notice {
	rows := s.outbox
	s.outbox = nil
	return rows
}

// monarchs is a cohort in the nursery from a time on.
func monarchs(id population.CohortID, stage species.StageID, individuals int, at time.Time) AddCohort {
	return AddCohort{Who: "test", Cohort: population.Cohort{
		ID: id, Species: "danaus-plexippus", Start: at, StartStage: stage, Individuals: individuals,
		Placements: []population.Placement{{Room: "nursery", From: at}},
	}}
}

// nursery is a message of a sensor of the nursery about its own time.
func nursery(sensor string, at time.Time, temperature, humidity float64) sensors.Message {
	body := fmt.Appendf(nil, `{"ts":%d,"t":%g,"h":%g}`, at.Unix(), temperature, humidity)
	return sensors.Message{Topic: "t/nursery/" + sensor, Received: at, Payload: body}
}

// scene is a box that tests feed minute by minute.
type scene struct {
	*box
	t     *testing.T
	now   time.Time
	steps []records.AlarmTransition
}

func newScene(t *testing.T, text string) *scene {
	t.Helper()
	return &scene{box: newBox(t, testOptions(t, text)), t: t, now: testStart}
}

func (b *scene) do(c Command) {
	b.t.Helper()
	if err := b.Do(c); err != nil {
		b.t.Fatal(err)
	}
}

// cohort puts monarchs in a stage into the nursery.
func (b *scene) cohort(stage species.StageID) {
	b.t.Helper()
	b.do(monarchs("m", stage, 50, b.now))
}

// air lets minutes pass with a reading of both nursery sensors in each.
func (b *scene) air(minutes int, temperature, humidity float64) {
	b.t.Helper()
	for range minutes {
		b.now = b.now.Add(time.Minute)
		shown := temperature + 0.01*float64(b.now.Minute()%3)
		for _, sensor := range []string{"a", "b"} {
			if err := b.Messages(nursery(sensor, b.now, shown, humidity)); err != nil {
				b.t.Fatal(err)
			}
		}
	}
	b.wait(0)
}

func (b *scene) wait(d time.Duration) {
	b.t.Helper()
	b.now = b.now.Add(d)
	if err := b.Advance(b.now); err != nil {
		b.t.Fatal(err)
	}
	b.steps = append(b.steps, b.TakeSteps()...)
}

// raised lists the alarms raised so far.
func (b *scene) raised() map[alerts.Condition]int {
	n := map[alerts.Condition]int{}
	for _, s := range b.steps {
		if s.Event == alerts.EventRaise {
			n[s.Key.Condition]++
		}
	}
	return n
}

func (b *scene) limit(room sensors.RoomID, c alerts.Condition) (limits.View, bool) {
	for _, r := range b.Snapshot().Rooms {
		for _, l := range r.Limits {
			if r.ID == room && l.Condition == c {
				return l, true
			}
		}
	}
	return limits.View{}, false
}
