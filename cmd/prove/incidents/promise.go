package incidents

import (
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
)

// Promised is within which time of its beginning a cause is named as such in
// nine of ten rooms of the first world, summer and large rooms included; 0 for what is not
// promised. It is what rooms of that model need to show it, and still leaves time
// to act: the dose of dry air that harms takes hours (common practice, no
// published source). Harm has alarms of its own, which wait for no cause.
func Promised(c alerts.Condition) time.Duration {
	switch c {
	case conditions.DoorOpen:
		return 45 * time.Minute
	case conditions.MainsLost:
		return 90 * time.Minute
	case conditions.HeaterStuckOn:
		return 2 * time.Hour
	case conditions.HumidifierExhausted:
		return 4 * time.Hour
	}
	return 0
}
