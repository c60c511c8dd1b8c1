package daemon

import (
	"time"

	"rearguard/alerts/conditions"
	"rearguard/daemon/rearing"
	"rearguard/sensors"
)

// watchCohorts evaluates what is expected of the cohorts themselves.
func (c *core) watchCohorts() error {
	for _, s := range c.cohorts {
		room, ok := s.cohort.RoomAt(c.clock)
		if !ok || c.roomBy[room] == nil || s.live == nil {
			continue
		}
		in := c.cohortCondition(s, c.roomBy[room])
		for _, o := range conditions.EvaluateCohort(in) {
			if err := c.observe(o); err != nil {
				return err
			}
		}
	}
	return c.endOrphans()
}

// cohortCondition is what the conditions see of a cohort.
func (c *core) cohortCondition(s *cohortState, r *roomState) conditions.CohortState {
	stage, _ := s.mainStage()
	in := conditions.CohortState{
		Cohort: string(s.cohort.ID), Room: r.config.ID, Now: c.clock, Location: c.facility.Site.Location,
		Stage: s.species.StageName(stage), Assumed: s.species.Assumed(),
	}
	in.Seen = true
	if e, ok := s.awaited(); ok {
		in.Seen, in.Event, in.ExpectedMedian, in.ExpectedLate = false, e.Name, e.Median, e.Late
	}
	c.noteStill(s, r, stage, &in)
	return in
}

// milestones are the events that a keeper sees in any cohort. Nobody counts
// every moult, so a moult that was not counted is no sign of anything.
func milestone(stage rearing.StageID) bool {
	return stage == "larva-1" || stage == "pupa" || stage == "adult"
}

// awaited is the earliest milestone that no count has confirmed.
func (s *cohortState) awaited() (rearing.Event, bool) {
	if s.forecast.forecast == nil {
		return rearing.Event{}, false
	}
	seen := -1
	for _, count := range s.counts {
		if i, ok := s.species.StageIndex(count.Stage); ok && !count.Undone && count.Seen > 0 {
			seen = max(seen, i)
		}
	}
	for _, e := range s.forecast.forecast.Events {
		if i, ok := s.species.StageIndex(e.Stage); ok && i > seen && milestone(e.Stage) {
			return e, true
		}
	}
	return rearing.Event{}, false
}

// noteStill keeps since when a cohort's stage does not develop at the room's
// temperature. While that is not known nothing changes.
func (c *core) noteStill(s *cohortState, r *roomState, stage rearing.StageID, in *conditions.CohortState) {
	i, ok := s.species.StageIndex(stage)
	if !ok || s.species.Stages[i].Rate == nil {
		delete(c.watch.still, s.cohort.ID)
		return
	}
	if now := r.airNow(c.clock); now.temperature != nil {
		in.CentreC = now.temperature
		switch since := c.watch.still[s.cohort.ID]; {
		case s.species.Stages[i].Rate.PerDay(*now.temperature) > 0:
			delete(c.watch.still, s.cohort.ID)
		case since.IsZero():
			c.watch.still[s.cohort.ID] = c.clock
		}
	}
	in.StillSince = c.watch.still[s.cohort.ID]
}

// moveInjury takes a cohort's heat injury along when it is moved.
func (c *core) moveInjury(id rearing.CohortID, from, to sensors.RoomID) {
	old, next := c.roomBy[from], c.roomBy[to]
	if old == nil || next == nil {
		return
	}
	injury, ok := old.memory.Injuries[string(id)]
	if !ok {
		return
	}
	// Memories share their maps with older ones: copies, never changes.
	old.memory.Injuries = without(old.memory.Injuries, string(id))
	next.memory.Injuries = without(next.memory.Injuries, "")
	// What it breathed on the way is not known, so nothing is counted for it.
	injury.At = time.Time{}
	next.memory.Injuries[string(id)] = injury
}

func without(m map[string]conditions.Injury, id string) map[string]conditions.Injury {
	out := make(map[string]conditions.Injury, len(m)+1)
	for k, v := range m {
		if k != id {
			out[k] = v
		}
	}
	return out
}

// heatInjury is the share of the lethal heat dose a cohort has gathered, nil
// while none is counted.
func (c *core) heatInjury(s *cohortState) *float64 {
	room, ok := s.cohort.RoomAt(c.clock)
	if r := c.roomBy[room]; ok && r != nil {
		if injury, counted := r.memory.Injuries[string(s.cohort.ID)]; counted {
			return &injury.Share
		}
	}
	return nil
}
