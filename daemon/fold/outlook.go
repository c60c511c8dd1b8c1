package fold

import (
	"fmt"
	"log/slog"
	"time"

	"rearguard/daemon/outlook"
	"rearguard/daemon/rearing/species"
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
		r.outlook.Bending = cs.bendingErrors(r, at)
	}
	return nil
}

// bendingErrors compares, for the stages now in a room, thermal time along
// the recorded curve with thermal time at daily means (Kaufmann effect).
func (cs *cohorts) bendingErrors(r *room, at time.Time) []snapshot.BendingError {
	points := r.track.Curve.HourlyPoints()
	var found []snapshot.BendingError
	seen := map[*species.Stage]bool{}
	for _, c := range cs.list {
		if room, ok := c.Cohort.RoomAt(at); !ok || room != r.config.ID || c.Live() == nil {
			continue
		}
		stage, _ := c.MainStage()
		i, _ := c.Species.StageIndex(stage)
		st := &c.Species.Stages[i]
		if st.Rate == nil || seen[st] {
			continue
		}
		seen[st] = true
		if b, ok := snapshot.Bending(c.Species, st, points, cs.facility.Site.Location); ok {
			found = append(found, b)
		}
	}
	return found
}
