package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
	"rearguard/sensors/quality"
)

// checkpointName is the blob that holds the newest checkpoint.
const checkpointName = "engine"

// checkpoint is the state of the fold at the end of an instant of the grid at
// which forecasts are made. What happened since is in the records and is
// handled again at the next start, so a checkpoint only saves time.
type checkpoint struct {
	Clock          time.Time
	Resumed        time.Time
	Settled        time.Time
	Link           LinkView
	Sensors        []sensorCheckpoint
	Rooms          []roomCheckpoint
	Cohorts        []cohortCheckpoint
	UsedIDs        []rearing.CohortID
	LastCount      rearing.CountID
	Learning       *Learning
	Alarms         []alerts.Alarm
	LastOccurrence int64
	Outcomes       map[string]uint64
	Annunciations  []AnnunciationTotal
	Watch          watchCheckpoint
	Certificates   []InForce
	Unclaimed      []unclaimedMemory
}

type sensorCheckpoint struct {
	sensorMemory
	ID          sensors.SensorID
	Heard, Told time.Time
	Newest      []sensors.Reading
	Usable      []sensors.Reading
	Quality     []quality.State
}

type roomCheckpoint struct {
	ID         sensors.RoomID
	Curve      roomair.Curve
	Settled    time.Time
	Tail       []roomair.Sample
	Late       lateness
	Memory     conditions.RoomMemory
	Neighbours []quality.NeighboursState
	BlindSince time.Time
	Sign       conditions.RoomSign
}

type cohortCheckpoint struct {
	Cohort   rearing.Cohort
	Counts   []rearing.Count
	Progress []byte
	EndC     float64
	HasAir   bool
	Counted  int
	Air      airSum
	Waiting  []roomair.Segment
	Redo     time.Time
}

// keepCheckpoint puts a checkpoint into the next commit.
func (c *core) keepCheckpoint() error {
	cp := checkpoint{
		Clock: c.clock, Resumed: c.resumed, Settled: c.settledTo, Link: c.link, Outcomes: c.outcomes,
		UsedIDs: slices.Sorted(maps.Keys(c.usedIDs)), LastCount: c.lastCount, Learning: c.learning,
		Alarms: c.machine.Memory(), LastOccurrence: c.machine.LastOccurrence(), Annunciations: c.annunciationTotals(), Watch: c.watch.checkpoint(),
		Certificates: c.certificates, Unclaimed: c.unclaimedMemories(),
	}
	for _, s := range c.sensors {
		one := sensorCheckpoint{sensorMemory: s.memory(), ID: s.config.ID, Heard: s.heard, Told: s.told}
		for _, series := range s.series {
			if series != nil {
				one.Newest = append(one.Newest, series.newest)
				one.Usable = append(one.Usable, series.usable)
				one.Quality = append(one.Quality, series.assess.State())
			}
		}
		cp.Sensors = append(cp.Sensors, one)
	}
	for _, r := range c.rooms {
		cp.Rooms = append(cp.Rooms, roomCheckpoint{
			ID: r.config.ID, Curve: r.track.curve, Settled: r.track.settled, Tail: r.track.tail, Late: r.track.late,
			Neighbours: r.neighbourStates(), Memory: r.memory, BlindSince: r.blindSince, Sign: r.sign,
		})
	}
	for _, s := range c.cohorts {
		body, err := s.base.MarshalBinary()
		if err != nil {
			return fmt.Errorf("checkpoint of cohort %s: %w", s.cohort.ID, err)
		}
		cp.Cohorts = append(cp.Cohorts, cohortCheckpoint{
			Cohort: s.cohort, Counts: s.counts, Progress: body, EndC: s.base.endC, HasAir: s.base.hasAir, Counted: s.base.counted, Air: s.base.air, Waiting: s.waiting, Redo: s.redo,
		})
	}
	body, err := json.Marshal(cp)
	if err != nil {
		return fmt.Errorf("checkpoint: %w", err)
	}
	c.keepState(checkpointName, body)
	return nil
}

func (c *core) keepState(name string, body []byte) {
	if c.out.State == nil {
		c.out.State = make(map[string][]byte)
	}
	c.out.State[name] = body
}

// load puts a checkpoint into a fresh core.
func (c *core) load(cp checkpoint) error {
	c.clock, c.resumed, c.settledTo, c.link = cp.Clock, cp.Resumed, cp.Settled, cp.Link
	c.nextTick = cp.Clock.Truncate(c.watch.grid).Add(c.watch.grid)
	for outcome, n := range cp.Outcomes {
		c.outcomes[outcome] = n
	}
	for _, t := range cp.Annunciations {
		c.annunciations[annunciationKey{t.Condition, t.Priority}] = t.Count
	}
	c.certificates = cp.Certificates
	if err := c.rebuildCorrections(); err != nil {
		return fmt.Errorf("calibrations: %w", err)
	}
	c.restoreUnclaimed(cp.Unclaimed)
	for _, one := range cp.Sensors {
		if err := c.loadSensor(one); err != nil {
			return err
		}
	}
	for _, one := range cp.Rooms {
		if r := c.roomBy[one.ID]; r != nil {
			r.track = track{curve: one.Curve, settled: one.Settled, tail: one.Tail, late: one.Late}
			r.memory, r.blindSince, r.sign = one.Memory, one.BlindSince, one.Sign
			if err := r.restoreNeighbours(one.Neighbours); err != nil {
				return err
			}
		}
	}
	for _, id := range cp.UsedIDs {
		c.usedIDs[id] = true
	}
	c.lastCount = cp.LastCount
	if cp.Learning != nil {
		catalog, err := cp.Learning.Apply(c.starting)
		if err != nil {
			// The cohorts go by what is left; the page says what is not in force.
			c.logger.Warn("adopted constants are left out", "reason", err)
		}
		c.learning = cp.Learning
		c.useCatalog(catalog)
	}
	for _, one := range cp.Cohorts {
		if err := c.loadCohort(one); err != nil {
			return err
		}
	}
	c.watch.load(cp.Watch)
	c.machine.SetLastOccurrence(cp.LastOccurrence)
	for _, a := range c.machine.Restore(cp.Alarms) {
		c.logger.Warn("an alarm of a condition that no longer exists is left out", "alarm", a.Key.String())
	}
	// Forecasts are made at the instants at which checkpoints are kept.
	return c.refreshLimits(c.clock)
}

func (c *core) loadSensor(one sensorCheckpoint) error {
	s := c.byID[one.ID]
	if s == nil {
		return nil
	}
	s.heard, s.told = one.Heard, one.Told
	if err := s.restore(one.sensorMemory); err != nil {
		return fmt.Errorf("sensor %s: %w", one.ID, err)
	}
	for i, r := range one.Newest {
		if int(r.Quantity) >= quantities || s.series[r.Quantity] == nil {
			continue
		}
		series := s.series[r.Quantity]
		series.newest = r
		if i < len(one.Usable) {
			series.usable = one.Usable[i]
		}
		if err := series.assess.Restore(one.Quality[i]); err != nil {
			return fmt.Errorf("sensor %s: %w", one.ID, err)
		}
	}
	return nil
}

// loadCohort takes up a cohort. Progress that no longer fits, because the
// species' constants were changed, is gone through again from its start.
func (c *core) loadCohort(one cohortCheckpoint) error {
	species, ok := c.catalog.Species(one.Cohort.Species)
	if !ok {
		return fmt.Errorf("cohort %s is of species %q, which neither the library nor the configuration knows; put its entry back",
			one.Cohort.ID, one.Cohort.Species)
	}
	s, err := newCohortState(one.Cohort, species)
	if err != nil {
		return err
	}
	s.counts = one.Counts
	c.cohorts = append(c.cohorts, s)
	p, err := rearing.RestoreProgress(species, &s.cohort, one.Progress)
	if err != nil {
		c.logger.Info("going through a cohort again from its start", "cohort", one.Cohort.ID, "reason", err)
		s.redoFrom(s.cohort.Start)
		return nil
	}
	s.base = progress{Progress: p, endC: one.EndC, hasAir: one.HasAir, counted: one.Counted, air: one.Air}
	s.waiting, s.redo = one.Waiting, one.Redo
	return nil
}

// restore brings the core to the state after the last commit.
func (e *Engine) restore(ctx context.Context) error {
	c, store := e.core, e.opts.Store
	marks, err := store.LoadMarks(ctx)
	if err != nil {
		return err
	}
	var cp checkpoint
	body, err := store.LoadState(ctx, checkpointName)
	switch {
	case errors.Is(err, records.ErrNotFound):
	case err != nil:
		return err
	default:
		if err := json.Unmarshal(body, &cp); err != nil {
			return fmt.Errorf("checkpoint: %w", err)
		}
		if err := c.load(cp); err != nil {
			return err
		}
	}
	if !marks.Clock.IsZero() {
		if err := e.refold(ctx, cp.Clock, marks.Clock); err != nil {
			return err
		}
	}
	return nil
}

// refold handles again what was stored since a checkpoint. Everything up to
// the committed clock has had its effects; what these events would store is
// dropped, but for rows that the records recognise as known.
func (e *Engine) refold(ctx context.Context, from, committed time.Time) error {
	began := e.core.clock
	n := 0
	err := e.core.replay(ctx, e.opts.Store, from, farFuture, func() { n++ })
	if err != nil {
		return err
	}
	if err := e.core.advanceTo(committed); err != nil {
		return err
	}
	out := e.core.out
	out.Readings, out.Journal = nil, nil
	out.Transitions = slices.DeleteFunc(out.Transitions, func(t records.AlarmTransition) bool { return !t.Time.After(committed) })
	e.opts.Logger.Info("state restored", slog.Time("checkpoint", began), slog.Time("until", committed), slog.Int("events", n))
	return nil
}

// farFuture is after every event.
var farFuture = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
