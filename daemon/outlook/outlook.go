// Package outlook plays through what is expected of a room's air, once for all
// cohorts in it, and says what each has to expect of it.
package outlook

import (
	"fmt"
	"log/slog"
	"time"

	"rearguard/daemon/course"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/roomair"
	"rearguard/daemon/snapshot"
)

const (
	// dailyHorizon is how far ahead animals are counted day by day: today and
	// the seven days after it.
	dailyHorizon = 8 * 24 * time.Hour
	// lead is how far an outlook begins before its making, so that it holds
	// cohorts whose newest reading is that old.
	lead = 2 * time.Hour
	// weekDays is how many days "this week" is, today included.
	weekDays = 7
)

// Outlook is what is expected of a room's air.
type Outlook struct {
	View snapshot.ExpectedAir
	// Bending is what daily means would make of the stages now in the room.
	Bending    []snapshot.BendingError
	long, week *forecast.Outlook
}

// Cohort is what a cohort has to expect.
type Cohort struct {
	// At is when it was worked out; Forecast is nil where nothing can be said.
	At       time.Time
	Forecast *forecast.Forecast
	// Daily are the animals expected to pass each event on the days shown.
	Daily, Week []forecast.DayNumbers
}

// play plays expected air through from a little before a time on.
func play(view snapshot.ExpectedAir, at time.Time) (*Outlook, error) {
	o := &Outlook{View: view}
	var err error
	o.long, o.week, err = view.Play(at.Truncate(time.Hour).Add(-lead), dailyHorizon+lead+time.Hour)
	return o, err
}

// Expect is what is expected of the air of a room in which some cohorts stand,
// as of a time; nil while nothing is known of it.
func Expect(room *facility.Room, curve *roomair.Curve, cohorts []*course.Course, at time.Time, zone *time.Location, logger *slog.Logger) (*Outlook, error) {
	view, err := snapshot.ExpectAir(room, curve, zone)
	if err != nil {
		logger.Error("set points cannot be used", slog.String("room", string(room.ID)), slog.Any("error", err))
	}
	if view.Air == nil {
		return nil, nil
	}
	o, err := play(view, at)
	if err != nil {
		return nil, fmt.Errorf("room %s: %w", room.ID, err)
	}
	o.Bending = course.Bendings(cohorts, curve.HourlyPoints(), zone)
	return o, nil
}

// Of is what a cohort has to expect as of now.
func (o *Outlook) Of(live *population.Progress, now time.Time, zone *time.Location) (next Cohort, err error) {
	next.At = now
	long, week := o.long, o.week
	if from := live.Time(); from.Before(long.From()) {
		// The cohort's air ends earlier, for example in a blind room.
		if long, week, err = o.View.Play(from, now.Sub(from)+dailyHorizon); err != nil {
			return next, err
		}
	}
	if next.Forecast, err = forecast.Make(live, long); err != nil {
		return next, err
	}
	days, sevenDays := daysShown(live.Time(), now.In(zone))
	numbers, err := forecast.NumbersIn(live, week, days, sevenDays)
	if err != nil {
		return next, err
	}
	next.Daily, next.Week = numbers[0], numbers[1]
	return next, nil
}

// daysShown are the bounds of the days for which animals are counted, and of
// the week.
func daysShown(from, now time.Time) (days, week []time.Time) {
	y, m, d := now.Date()
	for i := range weekDays + 2 {
		days = append(days, time.Date(y, m, d+i, 0, 0, 0, 0, now.Location()))
	}
	return days, []time.Time{from, days[weekDays]}
}
