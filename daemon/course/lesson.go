package course

import "rearguard/daemon/study"

// mostEstimated is the share of thermal time over bridged gaps from which on a
// cohort teaches nothing.
const mostEstimated = 0.2

// Lesson is what the counts of a finished cohort say about its stages, empty if
// nothing. A cohort whose air was mostly bridged teaches nothing.
func (c *Course) Lesson() []study.Observation {
	typical := c.live.Typical()
	if typical.DegreeDays > 0 && typical.Estimated > mostEstimated*typical.DegreeDays {
		return nil
	}
	return study.Observe(c.Species, &c.Cohort, c.Counts, c.liveAir.Mean)
}
