package fold

import (
	"encoding/json"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/alerts/notify"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/study"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// The state is kept at every half hour at which forecasts are made, and that of
// midnight a second time.
func TestStateIsKeptNowAndThen(t *testing.T) {
	begin := time.Date(2026, 5, 1, 22, 45, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		forecastEvery time.Duration
		want          []string
	}{
		"as installed":            {0, []string{"23:00", "23:30", "00:00", "00:30"}},
		"forecasts once an hour":  {time.Hour, []string{"23:00", "00:00"}},
		"forecasts once each day": {24 * time.Hour, []string{"00:00"}},
	} {
		t.Run(name, func(t *testing.T) {
			o := testOptions(t, foldtest.Facility)
			o.ForecastEvery = c.forecastEvery
			f, err := New(o, &past.Memory{})
			if err != nil {
				t.Fatal(err)
			}
			if err := f.Resume(t.Context(), begin); err != nil {
				t.Fatal(err)
			}
			var kept, midnight []string
			for m := range 121 {
				if err := f.AdvanceTo(t.Context(), begin.Add(time.Duration(m)*time.Minute)); err != nil {
					t.Fatal(err)
				}
				batch, err := f.TakeBatch()
				if err != nil {
					t.Fatal(err)
				}
				if batch == nil {
					continue
				}
				if batch.State[CheckpointName] != nil {
					kept = append(kept, batch.Clock.Format("15:04"))
				}
				if batch.State[earlierName] != nil {
					midnight = append(midnight, batch.Clock.Format("15:04"))
				}
			}
			if !slices.Equal(kept, c.want) || !slices.Equal(midnight, []string{"00:00"}) {
				t.Errorf("kept at %v, and apart from that at %v; want at %v, and at midnight", kept, midnight, c.want)
			}
		})
	}
}

// Where many readings come between two such times, the state is kept as soon
// as there are enough.
func TestStateIsKeptAfterManyReadings(t *testing.T) {
	o := testOptions(t, foldtest.Facility)
	o.KeepAfter = 3
	l := newLived(t, o)
	for n := 1; n <= 7; n++ {
		l.messages(hall(minute(n), 20))
		if due, want := l.KeepDue(), n%3 == 0; due != want {
			t.Fatalf("after %d readings keeping is due: %v, want %v", n, due, want)
		}
		if !l.KeepDue() {
			continue
		}
		if err := l.Keep(t.Context()); err != nil {
			t.Fatal(err)
		}
		batch, err := l.TakeBatch()
		if err != nil {
			t.Fatal(err)
		}
		var kept checkpoint
		if err := json.Unmarshal(batch.State[CheckpointName], &kept); err != nil {
			t.Fatal(err)
		}
		if kept.Clock.Before(minute(n)) {
			t.Errorf("kept is the state of %v, want that after the reading of %v", kept.Clock, minute(n))
		}
	}
}

// Whatever there is to be stored is taken, also where little comes together.
func TestNothingToBeStoredIsLeftBehind(t *testing.T) {
	o := testOptions(t, foldtest.Facility)
	for name, fill := range map[string]func(*records.Batch){
		"reading":    func(b *records.Batch) { b.Readings = make([]sensors.Reading, 1) },
		"flag":       func(b *records.Batch) { b.Reflags = make([]records.Reflag, 1) },
		"command":    func(b *records.Batch) { b.Journal = make([]records.JournalEntry, 1) },
		"alarm":      func(b *records.Batch) { b.Alarms = make([]records.AlarmRow, 1) },
		"transition": func(b *records.Batch) { b.Transitions = make([]records.AlarmTransition, 1) },
		"notice":     func(b *records.Batch) { b.Outbox = make([]notify.Notice, 1) },
		"cohort":     func(b *records.Batch) { b.Cohorts = make([]population.Cohort, 1) },
		"count":      func(b *records.Batch) { b.Counts = make([]population.Count, 1) },
	} {
		f, err := New(o, &past.Memory{})
		if err != nil {
			t.Fatal(err)
		}
		for _, state := range []string{"", CheckpointName} {
			fill(f.Untaken())
			if state != "" {
				f.Untaken().KeepState(state, []byte("{}"))
			}
			if batch, err := f.TakeBatch(); err != nil || batch == nil {
				t.Errorf("%s, with the state %q beside it: taken is %v, %v", name, state, batch, err)
			}
			if batch, err := f.TakeBatch(); err != nil || batch != nil {
				t.Errorf("%s, with the state %q beside it: taken again is %v, %v", name, state, batch, err)
			}
		}
	}
}

// How many messages were refused is not worth a commit of its own, and is
// stored beside the next reading.
func TestCountsAreStoredBesideSomethingElse(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.fold.NoteRefused(desk.Refused{Count: 1})
	if batch, err := b.fold.TakeBatch(); err != nil || batch != nil {
		t.Errorf("of a refused message alone there is stored %+v, %v", batch, err)
	}
	b.fold.Admit(hall(b.now.Add(time.Minute), 20))
	if err := b.fold.Handle(t.Context()); err != nil {
		t.Fatal(err)
	}
	batch, err := b.fold.TakeBatch()
	if err != nil {
		t.Fatal(err)
	}
	counts := func(name string) bool { return strings.HasPrefix(name, desk.MemoryPrefix) }
	if len(batch.Readings) != 1 || !slices.ContainsFunc(slices.Collect(maps.Keys(batch.State)), counts) {
		t.Errorf("beside %d readings there is stored %v, want the counts of messages", len(batch.Readings), slices.Collect(maps.Keys(batch.State)))
	}
}

// What of a kept state no longer fits is said in the log, and the rest is
// restored.
func TestKeptStateThatNoLongerFits(t *testing.T) {
	b := newScene(t, foldtest.Facility)
	b.cohort("larva-3")
	b.do(monarchs("n", "larva-3", 10, b.now))
	b.air(30, 40, 70)
	body, err := b.fold.checkpoint()
	if err != nil {
		t.Fatal(err)
	}
	o := testOptions(t, foldtest.Facility)
	gone := study.Decision{
		Key: study.Key{Species: "danaus-plexippus", Stage: "nymph"}, Adopted: true,
		Stages: []species.StageConstants{{Stage: "nymph"}}, Who: "lead",
	}
	for name, c := range map[string]struct {
		change func(*checkpoint)
		said   string
		lost   []alerts.Key
	}{
		"all fits":              {func(*checkpoint) {}, "", nil},
		"constants of a stage":  {func(cp *checkpoint) { cp.Cohorts.Learning.Decisions = []study.Decision{gone} }, "adopted constants are left out", nil},
		"progress of a cohort":  {func(cp *checkpoint) { cp.Cohorts.Cohorts[0].Progress = nil }, "going through a cohort again from its start", nil},
		"species of a cohort":   {func(cp *checkpoint) { cp.Cohorts.Cohorts[1].Cohort.Species = "gone" }, "a species that nobody knows", []alerts.Key{{Condition: conditions.CohortUnwatched, Subject: "n"}}},
		"condition of an alarm": {func(cp *checkpoint) { cp.Alarms.Alarms[0].Key.Condition = "gone" }, "an alarm of a condition that no longer exists is left out", nil},
	} {
		t.Run(name, func(t *testing.T) {
			var cp checkpoint
			if err := json.Unmarshal(body, &cp); err != nil {
				t.Fatal(err)
			}
			c.change(&cp)
			var log strings.Builder
			o.Logger = slog.New(slog.NewTextHandler(&log, nil))
			f, err := New(o, &b.past)
			if err != nil {
				t.Fatal(err)
			}
			if err := f.load(cp); err != nil {
				t.Fatal(err)
			}
			if said := log.String(); said == "" != (c.said == "") || !strings.Contains(said, c.said) {
				t.Errorf("said is %q, want %q", said, c.said)
			}
			if f.Snapshot().Rooms[0].Temperature == nil {
				t.Error("the air of the nursery is lost")
			}
			if err := f.AdvanceTo(t.Context(), f.Clock().Add(time.Minute)); err != nil {
				t.Fatal(err)
			}
			var lost []alerts.Key
			for _, a := range f.Snapshot().Alarms {
				if a.Active && (a.Key.Condition == conditions.CohortUnwatched || a.Key.Condition == conditions.SpeciesLost) {
					lost = append(lost, a.Key)
				}
			}
			if !slices.Equal(lost, c.lost) {
				t.Errorf("alarms of what is lost are %v, want %v", lost, c.lost)
			}
		})
	}
}
