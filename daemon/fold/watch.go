package fold

import (
	"rearguard/daemon/alarming"
	"rearguard/sensors/air"
)

// watch evaluates the conditions: of rooms, of cohorts, and of rearguard
// itself.
type watch struct {
	*ground
	rooms   *rooms
	cohorts *cohorts
	own     *own
	alarms  *alarming.Alarms
	// pressurePa is the air pressure at the facility's altitude.
	pressurePa float64
}

func newWatch(f *Fold) (*watch, error) {
	pressure, err := air.PressureAtAltitude(f.facility.Site.AltitudeM)
	return &watch{ground: f.ground, rooms: f.rooms, cohorts: f.cohorts, own: f.own, alarms: f.alarms, pressurePa: pressure}, err
}
