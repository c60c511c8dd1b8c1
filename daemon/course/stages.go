package course

import (
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/snapshot"
)

// MainStage is the stage most of the cohort is in and how far it is through:
// what counts say once there are any, before that what the typical animal
// should have reached.
func (c *Course) MainStage() (species.StageID, float64) {
	if len(c.live.Verdicts()) > 0 {
		return c.live.Main()
	}
	typical := c.live.Typical()
	return typical.Stage, typical.StageProgress
}

// milestone are the events that a keeper sees in any cohort. Nobody counts
// every moult, so a moult that was not counted is no sign of anything.
func milestone(stage species.StageID) bool {
	return stage == species.FirstInstar || stage == species.Pupa || stage == species.Adult
}

// Awaited is the earliest milestone of a forecast that no count has confirmed.
func (c *Course) Awaited(f *forecast.Forecast) (forecast.Event, bool) {
	if f == nil {
		return forecast.Event{}, false
	}
	seen := -1
	for _, count := range c.Counts {
		if i, ok := c.Species.StageIndex(count.Stage); ok && !count.Undone && count.Seen > 0 {
			seen = max(seen, i)
		}
	}
	for _, e := range f.Events {
		if i, ok := c.Species.StageIndex(e.Stage); ok && i > seen && milestone(e.Stage) {
			return e, true
		}
	}
	return forecast.Event{}, false
}

// Outcomes are the shares of the animals started with that counts have seen
// pupated and emerged, and those booked as lost.
func (c *Course) Outcomes() []snapshot.OutcomeShare {
	if c.Cohort.Individuals < 1 {
		return nil
	}
	pupa, hasPupa := c.Species.StageIndex(species.Pupa)
	adult, hasAdult := c.Species.StageIndex(species.Adult)
	pupated, emerged, lost := -1, -1, 0
	for _, count := range c.Counts {
		if count.Undone {
			continue
		}
		lost += count.Lost
		stage, _ := c.Species.StageIndex(count.Stage)
		if hasPupa && stage >= pupa && (count.Seen > 0 || count.Of > 0) {
			pupated = max(pupated, count.Seen)
		}
		if hasAdult && stage == adult && (count.Seen > 0 || count.Of > 0) {
			emerged = max(emerged, count.Seen)
		}
	}
	var shares []snapshot.OutcomeShare
	add := func(outcome snapshot.Outcome, n int) {
		if n >= 0 {
			shares = append(shares, snapshot.OutcomeShare{Outcome: outcome, Share: min(1, float64(n)/float64(c.Cohort.Individuals))})
		}
	}
	add(snapshot.Pupated, pupated)
	add(snapshot.Emerged, emerged)
	if lost > 0 {
		add(snapshot.Lost, lost)
	}
	return shares
}
