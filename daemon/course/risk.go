package course

import (
	"time"

	"rearguard/alerts/notify/letter"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
)

// AtRisk is the cohort for whoever is told of something that puts it at risk, by
// its progress and its forecast, nil for none, as of a time.
func (c *Course) AtRisk(ahead *forecast.Forecast, at time.Time) letter.Cohort {
	told := letter.Cohort{ID: string(c.Cohort.ID), Species: c.Species.CommonName, Animals: c.live.Alive()}
	var most population.Share
	for _, share := range c.live.Shares() {
		if share.Share > most.Share {
			most = share
		}
	}
	told.Stage = most.Name
	for _, l := range forecast.LimitsFor(c.live, ahead, at) {
		if l.Window != "" {
			told.Near = string(l.Window)
		}
	}
	return told
}
