package course

import (
	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/rearing/forecast"
)

// Condition is what the conditions see of the cohort by itself, with what is
// forecast of it; nil for no forecast.
func (c *Course) Condition(f *forecast.Forecast) conditions.CohortState {
	stage, _ := c.MainStage()
	in := conditions.CohortState{
		Cohort: string(c.Cohort.ID), Stage: c.Species.StageName(stage), Assumed: c.Species.Assumed(), Seen: f != nil,
	}
	if e, ok := c.Awaited(f); ok {
		in.Seen, in.Event, in.ExpectedMedian, in.ExpectedLate = false, string(e.Name), e.Median, e.Late
	}
	return in
}

// StandsStill says whether the cohort's stage does not develop at a temperature
// in °C, nil for an unknown one.
func (c *Course) StandsStill(celsius *float64) alerts.Truth {
	stage, _ := c.MainStage()
	i, ok := c.Species.StageIndex(stage)
	switch {
	case !ok || c.Species.Stages[i].Rate == nil:
		return alerts.False
	case celsius == nil:
		return alerts.Unknown
	case c.Species.Stages[i].Rate.PerDay(*celsius) > 0:
		return alerts.False
	}
	return alerts.True
}
