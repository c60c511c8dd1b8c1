package fold

import (
	"maps"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// allCohorts evaluates what is expected of the cohorts themselves.
func (w *watch) allCohorts() error {
	for _, c := range w.cohorts.list {
		room, ok := c.Cohort.RoomAt(w.clock)
		if !ok || w.rooms.by[room] == nil || c.Live() == nil {
			continue
		}
		if err := w.alarms.Observe(conditions.EvaluateCohort(w.cohortCondition(c, w.rooms.by[room]))...); err != nil {
			return err
		}
	}
	return w.endOrphans()
}

// lost evaluates what the configuration has lost of the cohorts.
func (w *watch) lost() error {
	i := 0
	for c := range w.cohorts.all {
		room, ok := c.RoomAt(w.clock)
		asleep := i >= len(w.cohorts.list)
		err := w.alarms.Observe(conditions.EvaluateLost(conditions.LostState{
			Cohort: string(c.ID), Species: string(c.Species), Room: room, Now: w.clock, RoomGone: ok && w.rooms.by[room] == nil,
			SpeciesGone: asleep || w.cohorts.list[i].Species == w.cohorts.lost[c.Species], Asleep: asleep,
		})...)
		if err != nil {
			return err
		}
		i++
	}
	return nil
}

// cohortCondition is what the conditions see of a cohort.
func (w *watch) cohortCondition(c *cohort, r *room) conditions.CohortState {
	stage, _ := c.MainStage()
	in := conditions.CohortState{
		Cohort: string(c.Cohort.ID), Room: r.config.ID, Now: w.clock, Location: w.facility.Site.Location,
		Stage: c.Species.StageName(stage), Assumed: c.Species.Assumed(), Seen: c.forecast.Forecast != nil,
	}
	if e, ok := c.Awaited(c.forecast.Forecast); ok {
		in.Seen, in.Event, in.ExpectedMedian, in.ExpectedLate = false, string(e.Name), e.Median, e.Late
	}
	c.still = c.still.Follow(w.clock, w.standsStill(c, r, stage))
	in.Still = c.still
	return in
}

// standsStill says whether a cohort's stage does not develop at the room's
// temperature.
func (w *watch) standsStill(c *cohort, r *room, stage species.StageID) alerts.Truth {
	i, ok := c.Species.StageIndex(stage)
	if !ok || c.Species.Stages[i].Rate == nil {
		return alerts.False
	}
	now := roomair.AirOf(r.sensors.Sensors, w.clock)
	if now.TemperatureC == nil {
		return alerts.Unknown
	}
	if c.Species.Stages[i].Rate.PerDay(*now.TemperatureC) > 0 {
		return alerts.False
	}
	return alerts.True
}

// moveInjury takes a cohort's heat injury along when it is moved.
func (cs *cohorts) moveInjury(id population.CohortID, from, to sensors.RoomID) {
	old, next := cs.rooms.find(from), cs.rooms.by[to]
	if old == nil || next == nil {
		return
	}
	injury, ok := old.memory.Injuries[string(id)]
	if !ok {
		return
	}
	// Memories share their maps with older ones: copies, never changes.
	old.memory.Injuries = maps.Clone(old.memory.Injuries)
	delete(old.memory.Injuries, string(id))
	moved := maps.Clone(next.memory.Injuries)
	if moved == nil {
		moved = make(map[string]conditions.Injury, 1)
	}
	// What it breathed on the way is not known, so nothing is counted for it.
	injury.At = time.Time{}
	moved[string(id)] = injury
	next.memory.Injuries = moved
}

// heatInjury is the share of the lethal heat dose a cohort has gathered, nil
// while none is counted.
func (cs *cohorts) heatInjury(c *cohort) *float64 {
	room, ok := c.Cohort.RoomAt(cs.clock)
	if r := cs.rooms.by[room]; ok && r != nil {
		if injury, counted := r.memory.Injuries[string(c.Cohort.ID)]; counted {
			return &injury.Share
		}
	}
	return nil
}
