package fold

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/alarming"
	"rearguard/daemon/course"
	"rearguard/daemon/facility"
	"rearguard/daemon/past"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/roomair"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/standing"
	"rearguard/daemon/study"
	"rearguard/sensors"
	"rearguard/sensors/desk"
)

// CheckpointName is the blob that holds the newest checkpoint, earlierName that
// of the last midnight, in case the newest is damaged.
const (
	CheckpointName = "fold"
	earlierName    = "fold/midnight"
)

// checkpointEvery is the grid on which the state is kept: a restart handles
// half an hour again in less than a second, and the state of hundreds of
// sensors is not written more often than need be. Where more comes within it, as
// out of a backlog, it is kept after keepAfter readings: a start goes through
// them again in about a second.
const (
	checkpointEvery = 30 * time.Minute
	keepAfter       = 200_000
)

// checkpoint is the state of the fold at the end of an instant of the grid at
// which forecasts are made, or of a keptEvent. What happened since is in the
// records and is handled again at the next start, so a checkpoint only saves
// time.
type checkpoint struct {
	Clock   time.Time           `json:"clock"`
	Resumed time.Time           `json:"resumed,omitzero"`
	Desk    desk.State          `json:"desk"`
	Rooms   roomsState          `json:"rooms"`
	Cohorts cohortsState        `json:"cohorts"`
	Alarms  alarming.State      `json:"alarms"`
	Link    snapshot.Link       `json:"link"`
	Parts   snapshot.PartsState `json:"parts,omitzero"`
	// Stays tell which sensor measured which room before the configuration in
	// force.
	Stays standing.Stays `json:"stays,omitempty"`
	// Departures tell when sensors that report on change were gone.
	Departures standing.Departures `json:"departures,omitempty"`
	// Limits is the configuration of limits last seen, Changes what changed.
	Limits  map[string]string      `json:"limits"`
	Changes []snapshot.LimitChange `json:"limit_changes,omitempty"`
	// Lead is that of the records; Steps tell how the time was moved, and
	// Overtaken what is to be flagged for it.
	Lead      past.Lead           `json:"lead,omitempty"`
	Steps     snapshot.ClockSteps `json:"clock_steps,omitzero"`
	Overtaken []past.Overtaken    `json:"overtaken,omitempty"`
}

type roomsState struct {
	Settled time.Time   `json:"settled,omitzero"`
	Rooms   []roomState `json:"rooms,omitempty"`
}

type roomState struct {
	ID         sensors.RoomID        `json:"id"`
	Track      *roomair.Track        `json:"track"`
	Memory     conditions.RoomMemory `json:"memory"`
	Sign       conditions.RoomSign   `json:"sign"`
	BlindSince time.Time             `json:"blind_since,omitzero"`
}

type cohortState struct {
	course.State
	Still conditions.Standstill `json:"standstill,omitzero"`
}

type cohortsState struct {
	Cohorts   []cohortState         `json:"cohorts,omitempty"`
	Used      []population.CohortID `json:"used,omitempty"`
	LastCount population.CountID    `json:"last_count,omitempty"`
	Learning  *study.Learning       `json:"learning,omitempty"`
}

// checkpoint is the state in its stored form.
func (f *Fold) checkpoint() ([]byte, error) {
	cohorts, err := f.cohorts.state()
	if err != nil {
		return nil, fmt.Errorf("checkpoint: %w", err)
	}
	body, err := json.Marshal(checkpoint{
		Clock: f.clock, Resumed: f.resumed, Desk: f.desk.State(), Rooms: f.rooms.state(), Cohorts: cohorts, Stays: f.rooms.stays, Departures: f.rooms.departures,
		Alarms: f.alarms.State(), Link: f.own.link, Parts: f.own.parts, Limits: f.own.limits.Limits, Changes: f.own.limits.Changes,
		Lead: f.lead, Steps: f.own.clock, Overtaken: f.overtaken,
	})
	if err != nil {
		return nil, fmt.Errorf("checkpoint: %w", err)
	}
	return body, nil
}

// keepCheckpoint puts a checkpoint into the next commit.
func (f *Fold) keepCheckpoint() error {
	body, err := f.checkpoint()
	if err != nil {
		return err
	}
	f.handled = 0
	f.out.batch.KeepState(CheckpointName, body)
	if f.clock.Equal(f.clock.Truncate(24 * time.Hour)) {
		f.out.batch.KeepState(earlierName, body)
	}
	return nil
}

// keptEvent says that the state was kept between two instants of the grid, and
// that all was up to date then. It is journaled because a start from that state
// makes anew what is expected.
type keptEvent struct{}

func (keptEvent) Kind() string { return "kept" }

func (keptEvent) who() string { return "" }

func (keptEvent) check(_ context.Context, f *Fold, at time.Time) (change, error) {
	return func() error {
		f.expectAnew()
		return errors.Join(f.refreshLimits(at), f.alarms.Advance(at), f.keepCheckpoint())
	}, nil
}

// KeepDue reports whether so much was handled since the state was last kept that
// a start would take long.
func (f *Fold) KeepDue() bool { return f.handled >= f.keepAfter }

// Keep keeps the state as it is now, from which the next start goes on.
func (f *Fold) Keep(ctx context.Context) error { return f.record(ctx, keptEvent{}) }

func (rs *rooms) state() roomsState {
	st := roomsState{Settled: rs.settled}
	for _, r := range rs.kept {
		st.Rooms = append(st.Rooms, roomState{r.config.ID, &r.track, r.memory, r.sign, r.blindSince})
	}
	return st
}

func (rs *rooms) restore(st roomsState) {
	rs.settled = st.Settled
	for _, one := range st.Rooms {
		if one.Track == nil {
			continue
		}
		r := rs.by[one.ID]
		if r == nil {
			r = &room{config: &facility.Room{ID: one.ID}, marks: past.Marks{Room: one.ID}}
			r.track.Rules = rs.rulesOf(one.ID)
			r.track.Rules.MarkAfter = desk.DefaultFresh
			rs.kept = append(rs.kept, r)
		}
		rules := r.track.Rules
		r.track = *one.Track
		r.track.Rules = rules
		r.memory, r.sign, r.blindSince = one.Memory, one.Sign, one.BlindSince
	}
}

func (cs *cohorts) state() (cohortsState, error) {
	st := cohortsState{Used: slices.Sorted(maps.Keys(cs.used)), LastCount: cs.lastCount, Learning: cs.Learning}
	for _, c := range cs.list {
		one, err := c.State()
		if err != nil {
			return st, err
		}
		st.Cohorts = append(st.Cohorts, cohortState{one, c.still})
	}
	st.Cohorts = append(st.Cohorts, cs.asleep...)
	return st, nil
}

// load puts a checkpoint into a fresh fold.
func (f *Fold) load(cp checkpoint) error {
	f.clock, f.resumed, f.nextTick = cp.Clock, cp.Resumed, f.after(cp.Clock)
	f.own.parts, f.own.limits = cp.Parts, snapshot.LimitsNoted{Limits: cp.Limits, Changes: cp.Changes}
	f.lead, f.own.clock, f.overtaken = cp.Lead, cp.Steps, cp.Overtaken
	f.setLink(cp.Link)
	if err := f.desk.Restore(cp.Desk); err != nil {
		return err
	}
	f.rooms.stays = cp.Stays
	if cp.Departures != nil {
		f.rooms.departures = cp.Departures
	}
	f.rooms.restore(cp.Rooms)
	f.cohorts.Lost = f.configuration.Lost(cp.Cohorts.Learning)
	if err := f.cohorts.restore(cp.Cohorts); err != nil {
		return err
	}
	f.rooms.kept = slices.DeleteFunc(f.rooms.kept, func(r *room) bool { return r.sensors == nil && !standing.StoodIn(r.config.ID, f.cohorts.all) })
	for _, unknown := range f.alarms.Restore(cp.Alarms) {
		f.logger.Warn("an alarm of a condition that no longer exists is left out", "alarm", unknown.Key.String())
	}
	// Forecasts are made at the instants at which checkpoints are kept.
	return f.refreshLimits(f.clock)
}

func (cs *cohorts) restore(st cohortsState) error {
	for _, id := range st.Used {
		cs.used[id] = true
	}
	cs.lastCount = st.LastCount
	if st.Learning != nil {
		if err := cs.Learn(st.Learning); err != nil {
			// The cohorts go by what is left; the page says what is not in force.
			cs.logger.Warn("adopted constants are left out", "reason", err)
		}
	}
	for _, one := range st.Cohorts {
		sp := cs.SpeciesOf(&one.Cohort, one.Counts)
		if sp == nil {
			cs.logger.Error("a cohort is of a species that nobody knows and is not watched; put its entry back", "cohort", one.Cohort.ID, "species", one.Cohort.Species)
			cs.asleep = append(cs.asleep, one)
			continue
		}
		c, stale, err := course.Restore(one.State, sp)
		if err != nil {
			return err
		}
		if stale != nil {
			cs.logger.Info("going through a cohort again from its start", "cohort", one.Cohort.ID, "reason", stale)
		}
		cs.list = append(cs.list, &cohort{Course: c, still: one.Still})
	}
	return nil
}
