package simulate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/cmd/prove/simulate/files"
	"rearguard/cmd/prove/simulate/world"
	"rearguard/daemon/fold"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/sensors"
)

// final are the checks of a run that has come to its end.
type final struct{ *run }

// checkAll checks what is left of a run at its end.
func (r final) checkAll(ctx context.Context) {
	if r.process == nil {
		r.start(ctx)
	}
	checks := []func(context.Context){r.checkHistory, r.checkThermalTime, r.checkCohorts, r.checkUnclaimed, r.checkGrowth, r.checkRestart, r.checkReplay}
	r.disk.failing = false
	r.write(ctx, false)
	for _, check := range checks {
		if r.over() {
			return
		}
		check(ctx)
	}
}

// checkHistory compares the stored readings with what was said and
// acknowledged: once each, and nothing else.
func (r final) checkHistory(ctx context.Context) {
	if r.world.damaged {
		return
	}
	type place struct {
		sensor int
		value  int64
	}
	stored := map[place][]sensors.Reading{}
	for reading, err := range r.process.store.Scan(ctx, nil, time.Unix(0, 0).AddDate(-2, 0, 0), past.FarFuture()) {
		if err != nil {
			r.breach("history", "history cannot be read: %v", err)
			return
		}
		if reading.Quantity != sensors.Temperature {
			continue
		}
		if math.Abs(reading.Raw) > 1000 {
			r.breach("history absurd", "%s stands in history with %g °C", reading.Sensor, reading.Raw)
			return
		}
		id := strings.TrimRight(string(reading.Sensor), "x")
		i := slices.IndexFunc(r.sensors, func(s *world.Sensor) bool { return string(world.SensorID(s.Index)) == id })
		at := place{i, world.ValueKey(reading.Raw)}
		stored[at] = append(stored[at], reading)
	}
	type tally struct{ most, least int }
	said, stamps := map[place]*tally{}, map[stamp]int{}
	for _, one := range r.ledger {
		stamps[stampOf(one)]++
		at := place{one.Sensor.Index, world.ValueKey(one.ValueC)}
		if said[at] == nil {
			said[at] = &tally{}
		}
		if one.Handed > 0 {
			said[at].most++
		}
		if one.Acked && one.Binding {
			said[at].least++
		}
	}
	for _, at := range slices.SortedFunc(maps.Keys(stored), func(a, b place) int { return cmp.Or(a.sensor-b.sensor, cmp.Compare(a.value, b.value)) }) {
		t := said[at]
		got := stored[at]
		switch {
		case t == nil || t.most == 0:
			r.breach("history invented", "%s stands in history with %.5f °C at %s, which it never said", got[0].Sensor, got[0].Raw, got[0].Time.Format(time.DateTime))
			return
		case sameSensor(got) > t.most && r.sensors[at.sensor].Plan.Form != world.ChangeForm:
			r.breach("history twice", "what %s said once (%.5f °C) stands in history %d times, first at %s", got[0].Sensor, got[0].Raw, len(got), got[0].Time.Format(time.DateTime))
			return
		}
	}
	for _, one := range r.ledger {
		at := place{one.Sensor.Index, world.ValueKey(one.ValueC)}
		if stamps[stampOf(one)] > 1 {
			continue // by its clock it said two things at once
		}
		if t := said[at]; len(stored[at]) < t.least {
			r.breach("history lost", "%s said %.5f °C at %s; it was acknowledged at %s and is not in history", one.Sensor.ID, one.ValueC, clockText(one.TrueAt), clockText(one.Heard))
			return
		}
		if one.Sensor.Plan.Form.OwnTime() && one.Acked && one.Binding && one.Placed && !sensorTimeIn(one, stored[at]) {
			r.breach("history moved", "%s said %.5f °C at %s, and history has it at another time", one.Sensor.ID, one.ValueC, clockText(one.TrueAt))
			return
		}
	}
}

// stamp is the second that a sensor gives as the time of a reading.
type stamp struct {
	sensor int
	second int64
}

func stampOf(s *world.Said) stamp { return stamp{s.Sensor.Index, s.At.Unix()} }

// sameSensor is how many readings the sensor with the most of them has: one
// that was given another name in between may have said the same under both.
func sameSensor(list []sensors.Reading) int {
	most, by := 0, map[sensors.SensorID]int{}
	for _, r := range list {
		by[r.Sensor]++
		most = max(most, by[r.Sensor])
	}
	return most
}

// sensorTimeIn reports whether one of the readings has the time of the message.
func sensorTimeIn(s *world.Said, list []sensors.Reading) bool {
	return slices.ContainsFunc(list, func(r sensors.Reading) bool { return r.Time.Sub(s.At).Abs() < time.Second })
}

// checkThermalTime compares the thermal time of cohorts with a plain integral
// over history.
func (r final) checkThermalTime(ctx context.Context) {
	now := r.process.engine.Snapshot()
	for _, c := range r.world.cohorts {
		i := slices.IndexFunc(now.Cohorts, func(v snapshot.Cohort) bool { return v.ID == c.id })
		if i < 0 || c.disturbed || r.changing(c) || r.world.damaged || !c.ended.IsZero() || now.Cohorts[i].CatchingUp {
			continue
		}
		if !r.asMoved(c, now.Cohorts[i].Start) {
			continue
		}
		// Progress is brought up to date every ten minutes.
		want, until, err := r.integrate(ctx, c, now.Cohorts[i].Progress.Time())
		if err != nil {
			r.breach("history", "history cannot be read: %v", err)
			return
		}
		if behind := until.Sub(now.Cohorts[i].Progress.Time()); behind > 30*time.Minute {
			r.breach("thermal time", "the air of %s is known up to %s, %s further than its page has it", c.id, until.Format(time.DateTime), behind)
			return
		}
		if got := now.Cohorts[i].ThermalTime; math.Abs(got-want) > 0.02+0.002*want {
			r.breach("thermal time", "%s has gathered %.3f degree-days by its page and %.3f along history", c.id, got, want)
			return
		}
	}
}

// movedMost is how far from the truth a cohort's start may be that was entered
// by a wrong clock.
const movedMost = 12 * time.Hour

// asMoved takes over the start of a cohort that was entered by a wrong clock:
// when the clock is set right, the daemon moves what was entered along. It
// reports false where the same may be so of the moves of the cohort.
func (r *run) asMoved(c *cohort, start time.Time) bool {
	if !r.world.unclear || start.Equal(c.started) {
		return true
	}
	off := start.Sub(c.truly).Abs()
	// A kill can lose that the clock was set right.
	lost := r.world.killed && r.world.diskFailed
	if believed := r.process.engine.Snapshot().Time; !lost && believed.Sub(r.trueTime()).Abs() < time.Hour && off > movedMost {
		r.breach("cohort moved", "%s was entered at %s and starts at %s, though the clock is right", c.id, c.truly.Format(time.DateTime), start.Format(time.DateTime))
		return false
	}
	c.started, c.places[0].From = start, start
	return len(c.places) == 1
}

// checkCohorts looks for what people entered.
func (r final) checkCohorts(context.Context) {
	now := r.process.engine.Snapshot()
	for _, c := range r.world.cohorts {
		known := slices.ContainsFunc(now.Cohorts, func(v snapshot.Cohort) bool { return v.ID == c.id })
		if c.entered && c.ended.IsZero() && !known && !c.disturbed {
			r.breach("cohort lost", "%s was entered and recorded, and is gone", c.id)
		}
	}
}

// checkUnclaimed looks for sensors that nobody has claimed: whatever else is
// published, a technician must find them.
func (r final) checkUnclaimed(context.Context) {
	now := r.process.engine.Snapshot()
	for _, one := range r.site.Sensors {
		s := one.Device
		speaks := one.Unclaimed && !s.Silent && !s.Late && (s.Plan.Form == world.PlainForm || s.Plan.Form == world.JSONForm)
		if _, err := now.UnclaimedTopic(s.Topic()); speaks && err != nil {
			r.breach("unclaimed unseen", "%s speaks on %s, and nobody can find it to claim it", one.ID, s.Topic())
			return
		}
	}
}

// Bounds on what a run may leave on the disk: SQLite lets its log grow to 1000
// pages, each with a head of 24 bytes, before it writes them to the file; the
// file has its tables and what happens without any message.
const (
	growthBase    = 1000*(4096+24) + 512<<10
	growthMessage = 1200
	// stateMost is how much the engine may know between two rounds, whatever
	// is published on however many topics.
	stateMost = 512 << 10
)

// checkGrowth bounds the size of the files, and of what the engine holds in
// memory from one round to the next, by its newest checkpoint.
func (r final) checkGrowth(ctx context.Context) {
	total := files.Size(r.disk.path())
	if most := int64(growthBase + growthMessage*(len(r.ledger)+r.world.junk)); total > most {
		r.breach("growth", "the records have %d bytes after %d messages; %d would be plenty", total, len(r.ledger), most)
	}
	state, err := r.process.store.LoadState(ctx, fold.CheckpointName)
	if err != nil && !errors.Is(err, records.ErrNotFound) && !r.world.damaged {
		r.breach("growth", "the state cannot be read: %v", err)
	}
	if len(state) > stateMost {
		r.breach("growth", "the engine holds %d bytes from one round to the next after %d messages; %d would be plenty", len(state), len(r.ledger), stateMost)
	}
}

// mark is what must not change over a restart.
type mark struct {
	// partial marks leave out what may change.
	partial         bool
	alarms, cohorts []string
	thermal         map[population.CohortID]float64
}

// ownParts are the alarms about the daemon's own parts.
var ownParts = map[alerts.Condition]bool{
	"broker_lost": true, "store_failing": true, "notice_undeliverable": true, "clock_wrong": true, "clock_moved": true,
}

func markOf(s *snapshot.Snapshot) *mark {
	m := &mark{thermal: map[population.CohortID]float64{}}
	lives := func(subject string) bool {
		return slices.ContainsFunc(s.Cohorts, func(c snapshot.Cohort) bool { return string(c.ID) == subject })
	}
	for _, a := range s.Alarms {
		// What is on about a cohort that was closed is over at the next look, and
		// how the daemon's own parts are is found out anew.
		if a.Active && !ownParts[a.Key.Condition] && (!strings.HasPrefix(a.Key.Subject, "cohort-") || lives(a.Key.Subject)) {
			m.alarms = append(m.alarms, alarmText(&a))
		}
	}
	for i := range s.Cohorts {
		c := &s.Cohorts[i]
		m.cohorts = append(m.cohorts, string(c.ID)+" in "+string(c.Room))
		if !c.CatchingUp {
			m.thermal[c.ID] = c.ThermalTime
		}
	}
	slices.Sort(m.alarms)
	slices.Sort(m.cohorts)
	return m
}

func alarmText(a *snapshot.Alarm) string {
	return fmt.Sprintf("%s (occurrence %d)", a.Key, a.Occurrence)
}

// withEnded adds the alarms that were over before a time: a delay that ran out
// between two looks shows at the next.
func (m *mark) withEnded(s *snapshot.Snapshot, at time.Time) *mark {
	for _, a := range s.Alarms {
		if !a.Active && !a.ClearedAt.IsZero() && a.ClearedAt.Before(at) {
			m.alarms = append(m.alarms, alarmText(&a))
		}
	}
	return m
}

// everywhere stands for all rooms.
const everywhere sensors.RoomID = "*"

// without leaves out what an edit of a room may change.
func (m *mark) without(touched sensors.RoomID) *mark {
	kept := &mark{partial: true, thermal: map[population.CohortID]float64{}}
	if touched == everywhere {
		return kept
	}
	for _, a := range m.alarms {
		if !strings.Contains(a, string(touched)) {
			kept.alarms = append(kept.alarms, a)
		}
	}
	kept.cohorts = m.cohorts
	return kept
}

// checkRestart stops the daemon and starts it again: nothing may change.
func (r final) checkRestart(ctx context.Context) {
	r.stop(ctx)
	if r.over() {
		return
	}
	r.tell("the daemon is stopped and started again at once")
	r.start(ctx)
}

// compareMarks compares what was before a stop with what is after the start.
func (r *run) compareMarks(before, after *mark) {
	missing := slices.ContainsFunc(before.alarms, func(a string) bool { return !slices.Contains(after.alarms, a) })
	if missing || !before.partial && !slices.Equal(before.alarms, after.alarms) {
		r.breach("restart", "over a restart the alarms that are on changed from %v to %v", before.alarms, after.alarms)
	}
	if !before.partial && !slices.Equal(before.cohorts, after.cohorts) {
		r.breach("restart", "over a restart the cohorts changed from %v to %v", before.cohorts, after.cohorts)
	}
	for id, was := range before.thermal {
		if is, known := after.thermal[id]; known && math.Abs(is-was) > 1e-6 {
			r.breach("restart", "over a restart the thermal time of %s changed from %.6f to %.6f", id, was, is)
		}
	}
}

// checkReplay handles history again: the same alarms must come of it. Every
// other run is enough, since it takes as long as the run.
func (r final) checkReplay(ctx context.Context) {
	if r.world.edited || r.world.claiming > 0 || r.world.damaged || r.world.unclear || r.plan.Seed%2 == 0 {
		return
	}
	p := r.process
	var again []records.AlarmTransition
	f, err := fold.Replay(ctx, fold.ReplayOptions{
		Options: fold.Options{Facility: p.facility, Catalog: r.catalogs.Full, Logger: slog.New(slog.DiscardHandler), ForecastEvery: forecastEvery, Grid: grid},
		Records: p.store.Reader, Batch: func(b *records.Batch) { again = append(again, b.Transitions...) },
	})
	if err != nil {
		r.breach("replay", "history cannot be replayed: %v", err)
		return
	}
	happened, err := p.store.AlarmTransitions(context.WithoutCancel(ctx), time.Unix(0, 0), past.FarFuture())
	if err != nil {
		r.fail(err)
		return
	}
	// A restart writes what follows of it at the next tick.
	for i := range max(len(happened), len(again)) {
		a, b := "nothing", "nothing"
		if i < len(happened) {
			a = transitionText(&happened[i])
		}
		if i < len(again) {
			b = transitionText(&again[i])
		}
		if a != b && i < len(happened) {
			r.breach("replay", "in a replay step %d of the alarms is %s; it was %s", i+1, b, a)
			return
		}
	}
	m, replayed := markOf(p.engine.Snapshot()), markOf(f.Snapshot())
	for id, was := range m.thermal {
		if is, known := replayed.thermal[id]; known && math.Abs(is-was) > 1e-6 {
			r.breach("replay", "the thermal time of %s is %.6f in a replay and %.6f live", id, is, was)
		}
	}
}

func transitionText(t *records.AlarmTransition) string {
	return fmt.Sprintf("%s of %s at %s (occurrence %d)", t.Event, t.Key, t.Time.Format(time.DateTime), t.Occurrence)
}
