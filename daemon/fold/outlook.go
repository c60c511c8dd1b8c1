package fold

import (
	"fmt"
	"log/slog"
	"time"

	"rearguard/daemon/course"
	"rearguard/daemon/outlook"
	"rearguard/daemon/snapshot"
)

// refreshAir makes new outlooks of the rooms' air when they are due, and sees
// what they mean for the cohorts in them.
func (cs *cohorts) refreshAir(at time.Time) error {
	for _, r := range cs.rooms.list {
		if r.outlook != nil && !cs.forecastDue(at) {
			continue
		}
		r.outlook = nil
		view, err := snapshot.ExpectAir(r.config, &r.track.Curve, cs.facility.Site.Location)
		if err != nil {
			cs.logger.Error("set points cannot be used", slog.String("room", string(r.config.ID)), slog.Any("error", err))
		}
		if view.Air == nil {
			continue
		}
		if r.outlook, err = outlook.Play(view, at); err != nil {
			return fmt.Errorf("room %s: %w", r.config.ID, err)
		}
		r.outlook.Bending = course.Bendings(cs.in(r.config.ID, at), r.track.Curve.HourlyPoints(), cs.facility.Site.Location)
	}
	return nil
}
