package fold

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/facility"
	"rearguard/daemon/foldtest"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/study"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
)

// prepared is a fold in which every event can be carried out, as a checkpoint
// to begin from again and again, and its past.
type prepared struct {
	options Options
	from    checkpoint
	kept    past.Memory
}

var (
	eggs = study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}
	heat = alerts.Key{Condition: conditions.Heat, Room: "nursery"}
	// shelved and maintained are alarms that somebody has silenced.
	shelved    = alerts.Key{Condition: conditions.Chill, Room: "nursery"}
	maintained = alerts.Key{Condition: conditions.Damp, Room: "nursery"}
)

// prepare lets a week pass in which two cohorts of eggs are reared and
// finished, and monarchs and an overheated afternoon follow.
func prepare(t *testing.T) *prepared {
	t.Helper()
	p := &prepared{options: testOptions(t, strings.ReplaceAll(foldtest.Facility, "interval: 60s", "interval: 15m"))}
	l := newLived(t, p.options)
	for q := range 7*24*4 + 1 {
		at := testStart.Add(time.Duration(q) * 15 * time.Minute)
		wave := math.Round(50*math.Sin(2*math.Pi*float64(q)/96)) / 100
		l.messages(nursery("a", at, 25+wave, 70+wave), nursery("b", at, 25+wave, 70+wave), hall(at, 20+wave))
	}
	for i, days := range []float64{2.8, 2.9} {
		l.finishEggs(population.CohortID(fmt.Sprintf("eggs-%d", i)), testStart.Add(6*time.Hour), days)
	}
	l.do(monarchs("m", "egg", 50, testStart.Add(12*time.Hour)))
	l.do(RecordCount{Count: population.Count{Cohort: "m", Time: testStart.Add(4 * 24 * time.Hour), Stage: "larva-1", Seen: 40, Of: 48, Lost: 2, Cause: "dried", By: "keeper"}})
	l.do(Calibrate{Certificate: certificate(t, "nursery-a", l.Clock()), Who: "Ana"})
	l.do(Order{Verb: alerts.Shelve, Key: shelved, Who: "lead", For: 5 * time.Hour, Reason: "draught"})
	l.do(Order{Verb: alerts.TakeOut, Key: maintained, Who: "lead", Reason: "humidifier under repair"})
	l.do(StartBench{Sensor: "nursery-b", Quantity: sensors.Temperature, Who: "Ana"})
	l.do(StartBench{Sensor: "hall-a", Quantity: sensors.Temperature, Who: "Ana"})
	begin := l.Clock().Truncate(time.Minute)
	for m := range 50 {
		at := begin.Add(time.Duration(m+1) * time.Minute)
		ice := 0.3 + float64(m%2)/100
		l.messages(nursery("a", at, 38+float64(m%3)/100, 70), nursery("b", at, ice, 70), hall(at, ice))
		l.tick(at.Add(10 * time.Second))
	}
	l.do(ReadBench{Sensor: "nursery-b", Reference: calibration.Reference{Kind: calibration.ReferenceIce}, Who: "Ana"})
	l.Doubt("it says 1 Jan 1970")
	p.kept = l.kept
	if err := l.NoteParts(t.Context(), "", records.Trouble{Damage: "readings of sensor hall-a of 1 May 2026 cannot be read"}); err != nil {
		t.Fatal(err)
	}
	if err := l.keepCheckpoint(); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(l.out.batch.State[CheckpointName], &p.from); err != nil {
		t.Fatal(err)
	}
	return p
}

func hall(at time.Time, celsius float64) sensors.Message {
	return sensors.Message{Topic: "t/hall/a", Payload: fmt.Appendf(nil, "%.2f", celsius), Received: at}
}

// finishEggs rears eggs of which half hatch after some days, and ends them.
func (l *lived) finishEggs(id population.CohortID, begin time.Time, days float64) {
	l.t.Helper()
	half := begin.Add(time.Duration(days * 24 * float64(time.Hour)))
	l.do(monarchs(id, "egg", 50, begin))
	for off, seen := range map[time.Duration]int{-6 * time.Hour: 10, 6 * time.Hour: 40} {
		l.do(RecordCount{Count: population.Count{Cohort: id, Time: half.Add(off), Stage: "larva-1", Seen: seen, Of: 50, OrBeyond: true, By: "keeper"}})
	}
	l.do(EndCohort{Cohort: id, At: half.Add(8 * time.Hour), Who: "keeper"})
}

// certificate is a calibration by which a sensor shows one degree too much.
func certificate(t *testing.T, id sensors.SensorID, at time.Time) calibration.Certificate {
	t.Helper()
	m := calibration.Measurement{From: at.Add(-10 * time.Minute), To: at, N: 20, Mean: 1, StdDev: 0.01, Resolution: 0.01, Stable: true}
	result, err := calibration.OnePoint(calibration.IcePoint(m))
	if err != nil {
		t.Fatal(err)
	}
	c, err := calibration.NewCertificate("", sensors.Series{Sensor: id, Quantity: sensors.Temperature}, "Ana", result, time.Time{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// events are one event of each kind that can be carried out in the prepared
// fold.
func (p *prepared) events(t *testing.T) map[string]Command {
	now := p.from.Clock
	all := make(map[string]Command)
	for _, c := range []Command{
		Order{Verb: alerts.Acknowledge, Key: heat, Who: "lead"},
		Order{Verb: alerts.Going, Key: heat, Who: "lead", Incident: true},
		Order{Verb: alerts.Shelve, Key: heat, Who: "lead", For: time.Hour, Reason: "moving"},
		Order{Verb: alerts.Unshelve, Key: shelved, Who: "lead"},
		Order{Verb: alerts.TakeOut, Key: heat, Who: "lead", Reason: "moving"},
		Order{Verb: alerts.Return, Key: maintained, Who: "lead"},
		monarchs("late", "egg", 30, now.Add(-3*24*time.Hour)),
		MoveCohort{Cohort: "m", Room: "hall", At: now.Add(-5 * time.Hour), Who: "keeper"},
		EndCohort{Cohort: "m", At: now.Add(-2 * time.Hour), Who: "keeper"},
		RecordCount{Count: population.Count{Cohort: "m", Time: now.Add(-30 * time.Hour), Stage: "larva-3", Seen: 10, Of: 40, By: "keeper"}},
		UndoCount{Count: p.from.Cohorts.LastCount, Who: "keeper"},
		AdoptConstants{Key: eggs, Fit: study.Corrected, Observations: 2, Who: "lead"},
		RefuseConstants{Key: eggs, Observations: 2, Who: "lead"},
		ClaimSensor{Who: "Ana", Sensor: facility.Sensor{ID: "nursery-new", Room: "nursery", Inputs: []facility.Input{{
			Topic: "new/one", Format: payload.Plain, Values: []facility.Value{{Quantity: sensors.Temperature, Unit: "°C"}},
		}}}},
		StartBench{Sensor: "nursery-a", Quantity: sensors.Temperature, Who: "Ana"},
		ReadBench{Sensor: "hall-a", Reference: calibration.Reference{Kind: calibration.ReferenceIce}, Who: "Ana"},
		FinishBench{Sensor: "nursery-b", Who: "Ana", Note: "yearly"},
		LeaveBench{Sensor: "hall-a", Who: "Ana"},
		Calibrate{Certificate: certificate(t, "nursery-b", now), Who: "Ana"},
		ReapplyCalibration{Sensor: "nursery-a", Quantity: sensors.Temperature, From: now.Add(-20 * time.Hour), Who: "Ana"},
		linkEvent{snapshot.Link{Address: "tcp://broker", Since: now, Problem: "connection refused"}},
		resumeEvent{At: now.Add(7 * time.Second), From: now},
		AdoptRecords{Who: "lead"},
		keptEvent{},
		partsEvent{snapshot.PartsState{Store: snapshot.PartTrouble{Since: now, Problem: "no space left"}}},
		limitsEvent{snapshot.LimitsNoted{Limits: map[string]string{"room nursery heat_celsius": "31"}, Changes: []snapshot.LimitChange{{At: now, What: "room nursery heat_celsius", To: "31"}}}},
		presenceEvent{Sensor: "nursery-a"},
		clockEvent{From: now, To: now.Add(-time.Hour), Why: "two sensors agree", Lead: past.Lead(time.Hour)},
		ConfirmClock{Who: "Ana"},
		ownClockEvent{desk.OwnClock{Sensor: "nursery-a", Fault: "clock is 60 min ahead"}},
		Configure{Path: "test.yaml", Text: strings.Replace(p.options.Facility.Text, "{id: nursery, name: Nursery}", "{id: nursery, name: Nursery, limits: {heat_celsius: 30}}", 1), Who: "configuration"},
		outlivedEvent("suppress"), outlivedEvent("unsuppress"), outlivedEvent("reset"),
	} {
		all[c.Kind()] = c
	}
	return all
}

// begin is the prepared fold with a past of which some calls fail.
func (p *prepared) begin(t *testing.T, fails func(int) bool) (*Fold, *failing) {
	t.Helper()
	past := &failing{Past: &p.kept, fails: fails}
	f, err := build(p.options, past, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.load(p.from); err != nil {
		t.Fatal(err)
	}
	return f, past
}

// trace is everything that an event can leave in a fold, but for the time that
// passes up to it: its state, what is to be stored, and what people see.
type trace struct {
	State, Batch string
	Seen         snapshot.Snapshot
}

func traceOf(t *testing.T, f *Fold) trace {
	t.Helper()
	text := func(v any) string {
		t.Helper()
		body, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return string(body)
	}
	batch, clock := f.out.batch, f.clock
	seen := *f.Snapshot()
	f.out.batch, f.clock = &records.Batch{}, time.Time{}
	if err := f.keepCheckpoint(); err != nil {
		t.Fatal(err)
	}
	state := string(f.out.batch.State[CheckpointName])
	f.out.batch, f.clock = batch, clock
	seen.Time = time.Time{}
	stored := *batch
	stored.Revalues = nil
	revalued := ""
	for _, r := range batch.Revalues {
		revalued += fmt.Sprint(r.Series, r.From, r.Value(r.From, 20))
	}
	return trace{state, text(stored) + revalued, seen}
}

// sameTrace tells what differs between two traces.
func sameTrace(a, b trace) string {
	if d := cmp.Diff(strings.Split(a.State, ","), strings.Split(b.State, ",")); d != "" {
		return "state: " + d
	}
	if d := cmp.Diff(a.Batch, b.Batch); d != "" {
		return "to be stored: " + d
	}
	for _, part := range [][2]any{
		{a.Seen.Cohorts, b.Seen.Cohorts}, {a.Seen.Alarms, b.Seen.Alarms}, {a.Seen.Picture, b.Seen.Picture}, {a.Seen.LimitChanges, b.Seen.LimitChanges},
		{a.Seen.Broker, b.Seen.Broker}, {a.Seen.AlarmTotals, b.Seen.AlarmTotals}, {a.Seen.Learning, b.Seen.Learning}, {a.Seen.Rooms, b.Seen.Rooms},
	} {
		if d := cmp.Diff(part[0], part[1], cmp.Comparer(sameZone)); d != "" {
			return "seen: " + d
		}
	}
	return ""
}

func sameZone(a, b *time.Location) bool { return a.String() == b.String() }

// Whatever call of the past fails, and whether it alone or all from then on: an
// event is refused and leaves no trace, or is carried out as if nothing had
// failed.
func TestCheckLeavesNoTrace(t *testing.T) {
	p := prepare(t)
	events := p.events(t)
	// Of these there is nothing but the entry in the journal.
	told := map[string]bool{"confirm-clock": true, "suppress": true, "unsuppress": true, "reset": true}
	reads := 0
	for _, k := range kinds() {
		event, ok := events[k.name]
		if !ok {
			t.Errorf("%s: no such event is tried", k.name)
			continue
		}
		undisturbed, past := p.begin(t, nil)
		before := traceOf(t, undisturbed)
		if err := undisturbed.record(t.Context(), event); err != nil {
			t.Errorf("%s: %v", k.name, err)
			continue
		}
		wanted := traceOf(t, undisturbed)
		if n := len(undisturbed.out.batch.Journal); n != 1 || undisturbed.out.batch.Journal[0].Kind != k.name {
			t.Errorf("%s: %d entries in the journal", k.name, n)
		}
		changed := sameTrace(trace{State: before.State, Seen: before.Seen}, trace{State: wanted.State, Seen: wanted.Seen}) != ""
		if changed == told[k.name] {
			t.Errorf("%s: leaves a trace in the state: %v", k.name, changed)
		}
		reads += past.calls
		for n := 1; n <= past.calls; n++ {
			for how, fails := range map[string]func(int) bool{
				"call": func(call int) bool { return call == n }, "calls from": func(call int) bool { return call >= n },
			} {
				f, _ := p.begin(t, fails)
				if err := f.record(t.Context(), event); err == nil {
					if d := sameTrace(wanted, traceOf(t, f)); d != "" {
						t.Errorf("%s, %s %d fails: carried out in part: %s", k.name, how, n, d)
					}
				} else if !errors.Is(err, ErrRefused) || !errors.Is(err, errNoDisk) {
					t.Errorf("%s, %s %d fails: %v, want a refusal that says why", k.name, how, n, err)
				} else if d := sameTrace(before, traceOf(t, f)); d != "" {
					t.Errorf("%s, %s %d fails: refused, and left a trace: %s", k.name, how, n, d)
				}
			}
		}
	}
	if reads < 10 {
		t.Errorf("all events together read the past %d times; the test tries nothing", reads)
	}
}
