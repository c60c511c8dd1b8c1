package daemon

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/conditions"
	"rearguard/daemon/rearing"
	"rearguard/sensors/air"
)

// view makes an immutable picture of the state.
func (c *core) view() *Snapshot {
	s := &Snapshot{
		Time: c.clock, Facility: c.facility.Site.Name, Invented: c.invented, Location: c.facility.Site.Location,
		Broker: c.link, Notices: c.notified.Totals, Pending: c.notified.Pending, Annunciations: c.annunciationTotals(),
		Rejected: slices.Clone(c.rejected),
	}
	for _, r := range c.rooms {
		s.Rooms = append(s.Rooms, c.roomView(r))
	}
	for _, one := range c.sensors {
		s.Sensors = append(s.Sensors, c.sensorView(one))
	}
	c.sensorSnapshot(s)
	for _, one := range c.cohorts {
		if v, ok := c.cohortView(one); ok {
			s.Cohorts = append(s.Cohorts, v)
		}
	}
	alarms := c.machine.Alarms()
	s.AlarmTotals = c.alarmTotals(alarms)
	for _, a := range alarms {
		s.Alarms = append(s.Alarms, c.alarmView(a))
	}
	// What is wrong now comes before what is over and not acknowledged.
	slices.SortStableFunc(s.Alarms, func(a, b AlarmView) int {
		switch {
		case a.Active && !b.Active:
			return -1
		case b.Active && !a.Active:
			return 1
		}
		return 0
	})
	for outcome, n := range c.outcomes {
		s.Messages = append(s.Messages, MessageTotal{outcome, n})
	}
	slices.SortFunc(s.Messages, func(a, b MessageTotal) int { return cmp.Compare(a.Outcome, b.Outcome) })
	s.LimitChanges = slices.Clone(c.watch.changes)
	s.Species, s.Catalog, s.Starting, s.Learning = c.speciesViews, c.catalog, c.starting, c.learning
	return s
}

func (c *core) roomView(r *roomState) RoomView {
	now := r.airNow(c.clock)
	v := RoomView{
		ID: r.config.ID, Name: r.config.Name, Blind: now.temperature == nil, Updated: now.updated,
		UsableSensors: now.usable, TotalSensors: len(r.sensors), Limits: r.limits.views, Recent: slices.Clone(r.recent),
	}
	if r.outlook != nil {
		v.Expected, v.Bending = &r.outlook.view, r.outlook.bending
	}
	v.Disagreements = c.disagreements(r)
	if v.Blind {
		return v
	}
	v.Temperature, v.Humidity = now.temperature, now.humidity
	v.Coldest, v.Warmest = pointValue(now.coldest), pointValue(now.warmest)
	v.Driest, v.Dampest = pointValue(now.driest), pointValue(now.dampest)
	if v.Humidity != nil {
		rh := min(*v.Humidity, 100)
		if vpd, err := air.VPDkPa(*v.Temperature, rh); err == nil {
			v.VPDkPa = &vpd
		}
		if dew, err := air.DewPointC(*v.Temperature, rh); err == nil {
			v.DewPointC = &dew
		}
	}
	return v
}

func (c *core) sensorView(s *sensorState) SensorView {
	v := SensorView{
		ID: s.config.ID, Position: s.config.Position, LastReading: s.told, ExpectedInterval: s.habit(),
		Silent: s.silent(c.clock),
	}
	c.sensorDetails(s, &v)
	var topics []string
	for _, in := range s.config.Inputs {
		topics = append(topics, in.Topic)
	}
	v.Topic = strings.Join(topics, ", ")
	if s.room != nil {
		v.Room = s.room.config.ID
	}
	for _, series := range s.series {
		if series == nil || series.newest.Time.IsZero() {
			continue
		}
		v.Flag = max(v.Flag, series.newest.Flag)
		if c.clock.Sub(series.newest.Time) <= s.staleAfter() {
			v.Values = append(v.Values, series.newest)
		}
	}
	return v
}

func (c *core) cohortView(s *cohortState) (CohortView, bool) {
	if err := c.goLive(s); err != nil {
		c.logger.Error("cohort cannot be shown", "cohort", s.cohort.ID, "error", err)
		return CohortView{}, false
	}
	typical := s.live.Typical()
	stage, progress := s.mainStage()
	room, _ := s.cohort.RoomAt(c.clock)
	v := CohortView{
		ID: s.cohort.ID, Species: s.species.ID, SpeciesName: s.species.CommonName, Room: room,
		Stage: stage, StageName: s.species.StageName(stage), StageProgress: progress,
		Individuals: s.live.Alive(), ThermalTime: typical.DegreeDays, Estimated: typical.Estimated,
		Assumed: s.species.Assumed(), Source: s.species.Source(), Start: s.cohort.Start, Note: s.cohort.Note,
		CatchingUp: c.catchingUp(s),
		Verdicts:   s.live.Verdicts(), Losses: rearing.SumLosses(s.live.Losses()), Daily: s.forecast.daily, Week: s.forecast.week,
		Outcomes: s.outcomes(), Progress: s.live,
	}
	v.HeatInjury = c.heatInjury(s)
	v.Rate, v.RateSD = s.live.RateFactor()
	for _, e := range s.live.Entries() {
		v.Entered = append(v.Entered, StageEntry{Stage: e.Stage, Name: s.species.StageName(e.Stage), At: e.Time})
	}
	for _, count := range slices.Backward(s.counts) {
		if len(v.Counts) == countsShown {
			break
		}
		v.Counts = append(v.Counts, count)
	}
	for _, share := range s.live.Shares() {
		if share.Share > 0 {
			v.Stages = append(v.Stages, StageShare{Stage: share.Stage, Name: share.Name, Share: share.Share})
		}
	}
	if f := s.forecast.forecast; f != nil {
		for _, e := range f.Next() {
			if e.Passed >= mostPassed {
				// Only stragglers are left: nothing to get ready for.
				continue
			}
			v.Expected = append(v.Expected, ExpectedEvent{Event: e.Name, Stage: e.Stage, Early: e.Early, Median: e.Median, Late: e.Late})
		}
	}
	return v, true
}

func (c *core) alarmView(a alerts.Alarm) AlarmView {
	def, _ := c.machine.Definition(a.Key.Condition)
	v := AlarmView{
		Key: a.Key, Occurrence: a.Occurrence, Priority: def.Priority(), State: a.State().String(), Active: a.Active,
		Title: def.Title, Cause: def.Cause, Consequence: def.Consequence, FirstAction: def.FirstAction,
		TimeToRespond: def.TimeToRespond, Value: a.Value, Limit: a.Limit, Unit: a.Unit, Detail: a.Detail,
		RaisedAt: a.RaisedAt, ClearedAt: a.ClearedAt, AcknowledgedAt: a.AckedAt, AcknowledgedBy: a.AckedBy,
		ShelvedUntil: a.ShelvedUntil, ShelvedBy: a.ShelvedBy, ShelvedReason: a.ShelveReason, Due: a.Due,
		SuppressedBy: a.SuppressedBy, OutOfServiceBy: a.OutOfServiceBy, OutOfServiceReason: a.OutOfServiceReason,
		Cohorts: c.atRisk(a.Key),
	}
	if a.Under != nil {
		under := *a.Under
		v.Under = &under
	}
	return v
}

func pointValue(p *conditions.Point) *float64 {
	if p == nil {
		return nil
	}
	v := p.Value
	return &v
}

// mostPassed is the share of a cohort after which an event is behind it.
const mostPassed = 0.9

// annunciationKey tells annunciations apart in the totals.
type annunciationKey struct {
	condition alerts.Condition
	priority  alerts.Priority
}

func (c *core) annunciationTotals() []AnnunciationTotal {
	totals := make([]AnnunciationTotal, 0, len(c.annunciations))
	for k, n := range c.annunciations {
		totals = append(totals, AnnunciationTotal{Condition: k.condition, Priority: k.priority, Count: n})
	}
	slices.SortFunc(totals, func(a, b AnnunciationTotal) int {
		return cmp.Or(strings.Compare(string(a.Condition), string(b.Condition)), cmp.Compare(a.Priority, b.Priority))
	})
	return totals
}

// recentSpan and recentStep make the small chart of a room: a day in steps of
// ten minutes.
const (
	recentSpan = 24 * time.Hour
	recentStep = 10 * time.Minute
)

// remember adds the present air to the room's recent curve.
func (r *roomState) remember(now time.Time) {
	at := now.Truncate(recentStep)
	if n := len(r.recent); n > 0 && !r.recent[n-1].Time.Before(at) {
		return
	}
	air := r.airNow(now)
	r.recent = append(r.recent, RecentPoint{Time: at, Temperature: air.temperature, Humidity: air.humidity})
	old, _ := slices.BinarySearchFunc(r.recent, now.Add(-recentSpan), func(p RecentPoint, t time.Time) int { return p.Time.Compare(t) })
	r.recent = slices.Delete(r.recent, 0, old)
}

// speciesList are the species a cohort can be entered for, in order of name.
func speciesList(catalog *rearing.Catalog) []SpeciesView {
	var list []SpeciesView
	for _, sp := range catalog.All() {
		v := SpeciesView{ID: sp.ID, Name: sp.CommonName, ScientificName: sp.ScientificName, Assumed: sp.Assumed(), Origin: sp.Origin}
		for _, st := range sp.Stages {
			v.Stages = append(v.Stages, StageName{ID: st.ID, Name: st.Name})
		}
		list = append(list, v)
	}
	slices.SortFunc(list, func(a, b SpeciesView) int { return strings.Compare(a.Name, b.Name) })
	return list
}
