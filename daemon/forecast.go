package daemon

import (
	"fmt"
	"log/slog"
	"time"

	"rearguard/daemon/development"
	"rearguard/daemon/rearing"
	"rearguard/daemon/roomair"
	"rearguard/sensors"
)

// cohortForecast is the newest forecast of a cohort.
type cohortForecast struct {
	at       time.Time
	forecast *rearing.Forecast
	// daily are the animals expected to pass each event on the days shown.
	daily, week []rearing.DayNumbers
	problem     string
}

// roomOutlook is what is expected of a room's air, played through once for
// all its cohorts.
type roomOutlook struct {
	view    ExpectedAir
	long    *rearing.Outlook
	week    *rearing.Outlook
	bending []BendingError
}

const (
	// outlookHorizon is how far ahead cohorts are forecast.
	outlookHorizon = 120 * 24 * time.Hour
	// dailyHorizon is how far ahead animals are counted day by day: today and
	// the seven days after it.
	dailyHorizon = 8 * 24 * time.Hour
	// weekDays is how many days "this week" is, today included.
	weekDays = 7
	// outlookLead is how far an outlook begins before its making, so that it
	// holds cohorts whose newest reading is that old.
	outlookLead = 2 * time.Hour
)

// noDayDoubt is the doubt about a room of which nothing but its present
// temperature is known: common practice, no published source.
var noDayDoubt = rearing.AirUncertainty{DayMeanSDC: 1, Persistence: 0.7}

// refreshAir makes new outlooks of the rooms' air when they are due.
func (c *core) refreshAir(at time.Time) error {
	for _, r := range c.rooms {
		if r.outlook != nil && !c.forecastDue(at) {
			continue
		}
		r.outlook = nil
		view, ok := c.expectAir(r)
		if !ok {
			continue
		}
		next := &roomOutlook{view: view}
		from := at.Truncate(time.Hour).Add(-outlookLead)
		var err error
		if next.long, err = rearing.NewOutlook(view.Air, view.Doubt, from, outlookHorizon); err != nil {
			return fmt.Errorf("room %s: %w", r.config.ID, err)
		}
		if next.week, err = rearing.NewOutlook(view.Air, view.Doubt, from, dailyHorizon+outlookLead+time.Hour); err != nil {
			return fmt.Errorf("room %s: %w", r.config.ID, err)
		}
		next.bending = c.bendingErrors(r, at)
		r.outlook = next
	}
	return nil
}

// expectAir is what is expected of a room's air: its set points where the
// configuration gives them, else what its recent days have in common, else its
// present temperature; false while no reading is known.
func (c *core) expectAir(r *roomState) (ExpectedAir, bool) {
	curve := &r.track.curve
	if points := r.config.SetPoints; len(points) > 0 {
		var schedule []rearing.SetPoint
		for _, p := range points {
			hour, _ := p.Hour()
			schedule = append(schedule, rearing.SetPoint{FromHour: hour, TemperatureC: p.Celsius})
		}
		air, err := rearing.NewScheduleAir(schedule, c.facility.Site.Location)
		if err == nil {
			expected := ExpectedAir{From: AirFromSetPoints, Air: air, Doubt: noDayDoubt}
			if habit, ok := curve.Habit(air.TemperatureC); ok && habit.Days > 0 {
				expected.learn(habit, air, curve)
			}
			return expected, true
		}
		c.logger.Error("set points cannot be used", slog.String("room", string(r.config.ID)), slog.Any("error", err))
	}
	if habit, ok := curve.Habit(nil); ok {
		pattern := rearing.DiurnalAir{HourC: habit.HourC, Location: time.UTC}
		expected := ExpectedAir{From: AirFromDays, Air: pattern, Doubt: rearing.AirUncertainty{DayMeanSDC: habit.DayMeanSDC, Persistence: habit.Persistence}}
		if habit.Days > 0 {
			expected.learn(habit, pattern, curve)
		}
		return expected, true
	}
	if curve.Point.IsZero() {
		return ExpectedAir{}, false
	}
	return ExpectedAir{From: AirFromNow, Air: rearing.ConstantAir(curve.PointC), Doubt: noDayDoubt}, true
}

// learn takes over what the room's own days say about errors of the air.
func (e *ExpectedAir) learn(habit roomair.Habit, air rearing.AirForecast, curve *roomair.Curve) {
	e.Days = habit.Days
	e.Doubt = rearing.AirUncertainty{DayMeanSDC: habit.DayMeanSDC, Persistence: habit.Persistence}
	middle := curve.Past[len(curve.Past)-1].Date.Add(12 * time.Hour)
	e.Air = rearing.SettlingAir{Air: air, From: middle, ErrorC: habit.LastC, Persistence: habit.Persistence}
}

// refreshForecast makes a new forecast when the last one is due for it.
func (c *core) refreshForecast(s *cohortState, at time.Time) {
	if !s.forecast.at.IsZero() && !c.forecastDue(at) {
		return
	}
	room, ok := s.cohort.RoomAt(at)
	if !ok {
		return
	}
	s.forecast = cohortForecast{at: at}
	err := c.makeForecast(s, room)
	if err != nil {
		s.forecast.problem = err.Error()
		c.logger.Debug("no forecast", slog.String("cohort", string(s.cohort.ID)), slog.Any("error", err))
	}
}

func (c *core) makeForecast(s *cohortState, room sensors.RoomID) error {
	r := c.roomBy[room]
	if r == nil {
		return fmt.Errorf("there is no room %q", room)
	}
	if r.outlook == nil {
		return fmt.Errorf("room %q has had no reading yet", room)
	}
	long, week := r.outlook.long, r.outlook.week
	if from := s.live.Time(); from.Before(long.From()) {
		// The cohort's air ends earlier, for example in a blind room.
		var err error
		air := r.outlook.view
		if long, err = rearing.NewOutlook(air.Air, air.Doubt, from, outlookHorizon); err != nil {
			return err
		}
		if week, err = rearing.NewOutlook(air.Air, air.Doubt, from, c.clock.Sub(from)+dailyHorizon); err != nil {
			return err
		}
	}
	var err error
	if s.forecast.forecast, err = s.live.Forecast(long); err != nil {
		return err
	}
	days, sevenDays := c.daysShown(s.live.Time())
	numbers, err := s.live.NumbersIn(week, days, sevenDays)
	if err != nil {
		return err
	}
	s.forecast.daily, s.forecast.week = numbers[0], numbers[1]
	return nil
}

// daysShown are the bounds of the days for which animals are counted, and of
// the week.
func (c *core) daysShown(from time.Time) (days, week []time.Time) {
	y, m, d := c.clock.In(c.facility.Site.Location).Date()
	for i := range weekDays + 2 {
		days = append(days, time.Date(y, m, d+i, 0, 0, 0, 0, c.facility.Site.Location))
	}
	return days, []time.Time{from, days[weekDays]}
}

// bendingErrors compares, for the stages now in a room, thermal time along
// the recorded curve with thermal time at daily means (Kaufmann effect).
func (c *core) bendingErrors(r *roomState, at time.Time) []BendingError {
	points := hourlyPoints(&r.track.curve)
	var found []BendingError
	seen := map[string]bool{}
	for _, s := range c.cohorts {
		if room, ok := s.cohort.RoomAt(at); !ok || room != r.config.ID || s.live == nil {
			continue
		}
		stage, _ := s.mainStage()
		i, _ := s.species.StageIndex(stage)
		key := string(s.species.ID) + "/" + string(stage)
		if rate := s.species.Stages[i].Rate; rate != nil && !seen[key] {
			seen[key] = true
			k, err := development.KaufmannEffect(rate, points, c.facility.Site.Location)
			if err != nil || k.Integrated == 0 {
				continue
			}
			found = append(found, BendingError{
				Species: s.species.ID, SpeciesName: s.species.CommonName, Stage: stage, StageName: s.species.StageName(stage),
				Days: k.Days, Along: k.Integrated, AtMeans: k.AtMeans, Unit: rate.Unit(), Relative: k.Relative(),
			})
		}
	}
	return found
}

// hourlyPoints is the remembered curve of the last unbroken run of days.
func hourlyPoints(curve *roomair.Curve) []development.Point {
	var points []development.Point
	for i := range curve.Past {
		day := &curve.Past[i]
		for hour := range 24 {
			v, ok := day.Hour(hour)
			if !ok {
				continue
			}
			at := day.Date.Add(time.Duration(hour) * time.Hour)
			if n := len(points); n > 0 && at.Sub(points[n-1].Time) > 6*time.Hour {
				points = points[:0]
			}
			points = append(points, development.Point{Time: at, TemperatureC: v})
		}
	}
	return points
}

// mainStage is the stage most of the cohort is in and how far it is through:
// what counts say once there are any, before that what the typical animal
// should have reached.
func (s *cohortState) mainStage() (rearing.StageID, float64) {
	if len(s.live.Verdicts()) > 0 {
		return s.live.Main()
	}
	typical := s.live.Typical()
	return typical.Stage, typical.StageProgress
}
