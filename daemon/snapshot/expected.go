package snapshot

import (
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing/forecast"
	"rearguard/daemon/roomair"
)

// noDayDoubt is the doubt about a room of which nothing but its present
// temperature is known: common practice, no published source.
func noDayDoubt() forecast.AirUncertainty {
	return forecast.AirUncertainty{DayMeanSDC: 1, Persistence: 0.7}
}

// OutlookHorizon is how far ahead cohorts are forecast.
const OutlookHorizon = 120 * 24 * time.Hour

// Play plays the air through from a time on: the long outlook and that of some
// days.
func (e ExpectedAir) Play(from time.Time, days time.Duration) (long, week *forecast.Outlook, err error) {
	if long, err = forecast.NewOutlook(e.Air, e.Doubt, from, OutlookHorizon); err != nil {
		return nil, nil, err
	}
	week, err = forecast.NewOutlook(e.Air, e.Doubt, from, days)
	return long, week, err
}

// ExpectAir is what is expected of a room's air: its set points where the
// configuration gives them, else what its recent days have in common, else its
// present temperature; with no Air while no reading is known. Set points that
// cannot be used are an error beside what is expected without them.
func ExpectAir(room *facility.Room, curve *roomair.Curve, zone *time.Location) (ExpectedAir, error) {
	var unusable error
	if points := room.SetPoints; len(points) > 0 {
		var schedule []forecast.SetPoint
		for _, p := range points {
			hour, _ := p.Hour()
			schedule = append(schedule, forecast.SetPoint{FromHour: hour, TemperatureC: p.Celsius})
		}
		air, err := forecast.NewScheduleAir(schedule, zone)
		if err == nil {
			expected := ExpectedAir{From: AirFromSetPoints, Air: air, Doubt: noDayDoubt()}
			if habit, ok := curve.Habit(air.TemperatureC); ok && habit.Days > 0 {
				expected.learn(habit, air, curve)
			}
			return expected, unusable
		}
		unusable = err
	}
	if habit, ok := curve.Habit(nil); ok {
		pattern := forecast.DiurnalAir{HourC: habit.HourC, Location: time.UTC}
		expected := ExpectedAir{
			From: AirFromDays, Air: pattern,
			Doubt: forecast.AirUncertainty{DayMeanSDC: habit.DayMeanSDC, Persistence: habit.Persistence},
		}
		if habit.Days > 0 {
			expected.learn(habit, pattern, curve)
		}
		return expected, unusable
	}
	if curve.Point.IsZero() {
		return ExpectedAir{}, unusable
	}
	return ExpectedAir{From: AirFromNow, Air: forecast.ConstantAir(curve.PointC), Doubt: noDayDoubt()}, unusable
}

// learn takes over what the room's own days say about errors of the air.
func (e *ExpectedAir) learn(habit roomair.Habit, air forecast.Air, curve *roomair.Curve) {
	e.Days = habit.Days
	e.Doubt = forecast.AirUncertainty{DayMeanSDC: habit.DayMeanSDC, Persistence: habit.Persistence}
	middle := curve.Past[len(curve.Past)-1].Date.Add(12 * time.Hour)
	e.Air = forecast.SettlingAir{Air: air, From: middle, ErrorC: habit.LastC, Persistence: habit.Persistence}
}
