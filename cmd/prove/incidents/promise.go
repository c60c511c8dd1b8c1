package incidents

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
)

// Promised is within which time of its beginning a cause is named as such in
// nine of ten rooms of the lab, and always in the demo; 0 for what is not
// promised. The figures are assumptions of what still leaves time to act: a
// person needs half an hour to be there before a hot room harms, and the dose of
// dry air and cold takes hours (common practice, no published source).
func Promised(c alerts.Condition) time.Duration {
	switch c {
	case conditions.HeaterStuckOn, conditions.DoorOpen, conditions.MainsLost:
		return 45 * time.Minute
	case conditions.HumidifierExhausted:
		return time.Hour
	}
	return 0
}
