package fold

import (
	"slices"

	"rearguard/daemon/roomair"
	"rearguard/daemon/snapshot"
)

// Snapshot makes an immutable picture of the state.
func (f *Fold) Snapshot() *snapshot.Snapshot {
	s := &snapshot.Snapshot{
		Time: f.clock, Site: snapshot.Site{Facility: f.facility.Site.Name, Invented: f.invented, Location: f.facility.Site.Location},
		Picture:      f.desk.Picture(f.clock),
		Knowledge:    f.cohorts.Knowledge.Knowledge,
		LimitChanges: slices.Clone(f.own.limits.Changes),
		Clock:        snapshot.Clock{Doubt: f.own.parts.Clock, ClockSteps: f.own.clock},
		Broker:       f.own.link, Notices: f.own.notices.Totals, Pending: f.own.notices.Pending, Failing: f.own.notices.Failing, Overdue: f.own.notices.Overdue, Sites: f.own.parts.Sites,
	}
	for _, r := range f.rooms.list {
		s.Rooms = append(s.Rooms, f.rooms.view(r))
	}
	for _, c := range f.cohorts.list {
		if err := c.GoLive(f.rooms.track); err != nil {
			f.logger.Error("cohort cannot be shown", "cohort", c.Cohort.ID, "error", err)
			continue
		}
		s.Cohorts = append(s.Cohorts, f.cohorts.view(c))
	}
	open := f.alarms.Open()
	s.AlarmTotals = f.alarms.Totals(f.clock)
	for i := range open {
		def := f.alarms.Definition(open[i].Key.Condition)
		s.Alarms = append(s.Alarms, snapshot.AlarmOf(&open[i], &def, f.watch.atRisk(open[i].Key), f.facility.Site.Location))
	}
	snapshot.ActiveFirst(s.Alarms)
	s.Incidents = snapshot.IncidentsOf(f.alarms)
	return s
}

func (rs *rooms) view(r *room) snapshot.Room {
	v := snapshot.Room{
		ID: r.config.ID, Name: r.config.Name, TotalSensors: len(r.sensors.Sensors),
		Limits: r.limits.Views, Recent: slices.Clone(r.recent), Disagreements: r.sensors.Disagreements(rs.clock),
	}
	if r.outlook != nil {
		v.Expected, v.Bending = &r.outlook.View, r.outlook.Bending
	}
	v.Breathe(roomair.AirOf(r.sensors.Sensors, rs.clock))
	return v
}

func (cs *cohorts) view(c *cohort) snapshot.Cohort {
	v := c.View(cs.clock, cs.rooms.track)
	v.HeatInjury = cs.heatInjury(c)
	v.Outlook = snapshot.Outlook{Daily: c.forecast.Daily, Week: c.forecast.Week}
	if c.forecast.Forecast != nil {
		v.Expected = snapshot.Ahead(c.forecast.Forecast)
	}
	return v
}
