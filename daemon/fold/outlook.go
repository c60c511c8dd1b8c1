package fold

import (
	"fmt"
	"log/slog"
	"time"

	"rearguard/daemon/course"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/snapshot"
)

// outlook is what is expected of a room's air, played through once for all its
// cohorts.
type outlook struct {
	view    snapshot.ExpectedAir
	long    *forecast.Outlook
	week    *forecast.Outlook
	bending []snapshot.BendingError
}

const (
	// dailyHorizon is how far ahead animals are counted day by day: today and
	// the seven days after it.
	dailyHorizon = 8 * 24 * time.Hour
	// outlookLead is how far an outlook begins before its making, so that it
	// holds cohorts whose newest reading is that old.
	outlookLead = 2 * time.Hour
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
		next := &outlook{view: view}
		next.long, next.week, err = view.Play(at.Truncate(time.Hour).Add(-outlookLead), dailyHorizon+outlookLead+time.Hour)
		if err != nil {
			return fmt.Errorf("room %s: %w", r.config.ID, err)
		}
		next.bending = course.Bendings(cs.in(r.config.ID, at), r.track.Curve.HourlyPoints(), cs.facility.Site.Location)
		r.outlook = next
	}
	return nil
}
