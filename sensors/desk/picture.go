package desk

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/calibration"
	"rearguard/sensors/quality"
	"rearguard/sensors/unclaimed"
)

// Picture is all that there is to show of the sensors. It shares nothing that
// changes later.
type Picture struct {
	Sensors []View
	// Retired are sensors that are no longer listened to.
	Retired []View
	// Unclaimed are the topics seen on the broker that no sensor claims.
	Unclaimed []unclaimed.TopicView
	// UnclaimedLetGo is how often one of them had to make room for another.
	UnclaimedLetGo int
	// Swaps are pairs of sensors that look exchanged.
	Swaps []quality.Swap
	// Certificates are all calibrations, newest first.
	Certificates []calibration.InForce
	Messages     []MessageTotal
	// SessionLost is when the broker was last found to have forgotten the
	// session and the messages kept in it, zero for never; SessionsLost is how
	// often it was.
	SessionLost  time.Time
	SessionsLost uint64
	// Rejected are the most recent messages that could not be used.
	Rejected []Rejected
}

// View is one sensor as pages and metrics show it.
type View struct {
	ID       sensors.SensorID
	Room     sensors.RoomID
	Position string
	// Topic is the MQTT topic the sensor is configured for, so that a
	// technician can find it on the broker.
	Topic string
	// Values holds the newest reading of each quantity that is still fresh.
	Values []sensors.Reading
	// LastReading is the event time of the newest reading, also once silent.
	LastReading time.Time
	Silent      bool
	// ExpectedInterval is the sensor's reporting habit.
	ExpectedInterval time.Duration
	Flag             sensors.Flag
	Place            sensors.Place
	HeightM          *float64
	// Replaces is the retired sensor whose position it took over.
	Replaces sensors.SensorID
	Retired  bool
	// Findings are the complaints about the sensor now.
	Findings []FindingView
	Series   []SeriesView
	Health   HealthView
	// Bench is set while it is on the calibration bench.
	Bench *calibration.BenchView
}

// FindingView is one complaint about a sensor.
type FindingView struct {
	// Quantity is zero when it is about the device as a whole.
	Quantity sensors.Quantity
	Check    quality.Check
	// Flag is what the complaint makes of a reading; zero for a complaint
	// about the device, whose readings are not the worse for it.
	Flag sensors.Flag
	// Text says what is wrong, Since is when it began.
	Text  string
	Since time.Time
}

// SeriesView is one quantity of a sensor beyond its newest value.
type SeriesView struct {
	Quantity sensors.Quantity
	// FlaggedSince is since when no reading has been usable, zero if the
	// newest one is.
	FlaggedSince time.Time
	// Offset is how far the newest value is from the median of the room's good
	// sensors, nil with fewer than two of them.
	Offset *float64
	// Drift is a slow departure from the other sensors of the room.
	Drift *quality.Drift
	// Amended is the last single spike found after the fact.
	Amended *quality.Amendment
	// Calibration is the one in force, nil if there is none.
	Calibration *calibration.InForce
}

// HealthView is the device behind the readings.
type HealthView struct {
	// Interval is the learned time between reports, 0 while unknown.
	Interval time.Duration
	// SilentAfter is how long it may be silent before that counts.
	SilentAfter time.Duration
	// Announces is set for a sensor that says whether it is there, GoneSince
	// is since when it has said that it is not.
	Announces bool
	GoneSince time.Time
	// ClockSkew is how far its own clock is ahead, nil while unknown.
	ClockSkew *time.Duration
	// BatteryPerDay is the trend in percent a day and BatteryDays how many
	// days are left at it, nil while unknown or not falling.
	BatteryPerDay, BatteryDays *float64
}

// MessageTotal counts MQTT messages by outcome.
type MessageTotal struct {
	Outcome Outcome
	Count   uint64
}

// Picture shows the sensors as they are now.
func (d *Desk) Picture(now time.Time) Picture {
	p := Picture{
		Unclaimed: d.unclaimed.List(), UnclaimedLetGo: d.unclaimed.LetGo(), SessionLost: d.lost, SessionsLost: d.losses, Swaps: d.swaps, Certificates: d.calibrations.NewestFirst(),
		Rejected: slices.Clone(d.Intake.rejected),
	}
	for _, s := range d.sensors {
		v := s.view(now)
		s.detail(d, &v, now)
		p.Sensors = append(p.Sensors, v)
	}
	for _, s := range d.retired {
		v := View{ID: s.config.ID, Position: s.config.Position, Room: s.roomID(), LastReading: s.told}
		s.detail(d, &v, now)
		p.Retired = append(p.Retired, v)
	}
	for _, outcome := range slices.Sorted(maps.Keys(d.Intake.outcomes)) {
		p.Messages = append(p.Messages, MessageTotal{outcome, d.Intake.outcomes[outcome]})
	}
	return p
}

func (s *Sensor) roomID() sensors.RoomID {
	if s.room == nil {
		return ""
	}
	return s.room.id
}

func (s *Sensor) view(now time.Time) View {
	v := View{
		ID: s.config.ID, Room: s.roomID(), Position: s.config.Position, LastReading: s.told,
		ExpectedInterval: s.Habit(), Silent: s.Silent(now),
	}
	topics := make([]string, len(s.config.Inputs))
	for i, in := range s.config.Inputs {
		topics[i] = in.Topic
	}
	v.Topic = strings.Join(topics, ", ")
	for _, one := range s.series {
		if one == nil || one.newest.Time.IsZero() {
			continue
		}
		v.Flag = max(v.Flag, one.newest.Flag)
		if s.fresh(one.newest.Time, now) {
			v.Values = append(v.Values, one.newest)
		}
	}
	return v
}

// detail completes the view of a sensor.
func (s *Sensor) detail(d *Desk, v *View, now time.Time) {
	v.Place, v.Replaces, v.Retired, v.HeightM = s.config.Place, s.config.Replaces, s.config.Retired, s.config.HeightM
	if s.heard.IsZero() {
		v.LastReading = time.Time{}
	}
	v.Health = s.healthView(now)
	if s.clock.fault != "" {
		v.Findings = append(v.Findings, FindingView{Check: quality.CheckClockSkew, Text: "its " + s.clock.fault, Since: s.clock.since})
	}
	for _, f := range s.health.findings(now) {
		v.Findings = append(v.Findings, FindingView{Check: f.Check, Text: f.String(), Since: f.Since})
	}
	if missing := s.missing(); missing != "" {
		v.Findings = append(v.Findings, FindingView{Check: checkMissing, Text: "its " + missing})
	}
	if waited := s.undated.fault(); waited != "" {
		v.Findings = append(v.Findings, FindingView{Check: checkAge, Text: "its " + waited, Since: s.undated.Since})
	}
	for _, swap := range d.swaps {
		other := swap.B
		if other == s.config.ID {
			other = swap.A
		} else if swap.A != s.config.ID {
			continue
		}
		v.Findings = append(v.Findings, FindingView{Check: quality.CheckSwap, Flag: sensors.Suspect, Text: "looks exchanged with " + string(other), Since: swap.Since})
	}
	for q, one := range s.series {
		if one == nil {
			continue
		}
		shown := SeriesView{
			Quantity: sensors.Quantity(q), FlaggedSince: one.flagged, Amended: one.amended,
			Offset: s.offset(sensors.Quantity(q), now), Calibration: d.calibrations.InForce(one.key),
		}
		for _, f := range one.findings {
			text := f.String()
			if f.Check == checkBench {
				text = "on the calibration bench"
			}
			v.Findings = append(v.Findings, FindingView{Quantity: shown.Quantity, Check: f.Check, Flag: f.Flag, Text: text, Since: f.Since})
		}
		if one.neighbours != nil {
			if drift, ok := one.neighbours.Drift(s.config.ID); ok {
				shown.Drift = &drift
			}
		}
		v.Series = append(v.Series, shown)
	}
	if s.bench != nil {
		v.Bench = s.bench.View()
	}
}

func (s *Sensor) healthView(now time.Time) HealthView {
	v := HealthView{SilentAfter: s.SilentAfter(), Announces: s.announces(), GoneSince: s.health.Gone}
	v.Interval, _ = s.health.Habit.Interval()
	if skew, ok := s.health.Clock.Skew(); ok {
		ahead := -skew
		v.ClockSkew = &ahead
	}
	if perDay, left, ok := s.health.Battery.Fade(now); ok {
		v.BatteryPerDay = &perDay
		if !math.IsInf(left, 0) {
			v.BatteryDays = &left
		}
	}
	return v
}

// offset is how far the newest value of a sensor is from the median of the
// room's good ones.
func (s *Sensor) offset(q sensors.Quantity, now time.Time) *float64 {
	own, ok := s.Current(q, now)
	if s.room == nil || !ok {
		return nil
	}
	var values []float64
	for _, o := range s.room.Sensors {
		if r, ok := o.Current(q, now); ok && r.Flag.Usable() {
			values = append(values, r.Value)
		}
	}
	if len(values) < 2 {
		return nil
	}
	d := own.Value - sensors.Median(values)
	return &d
}

// CalibrationDue is a reminder that a calibration is to be done again.
type CalibrationDue struct {
	Series sensors.Series
	Due    time.Time
	// Over is set when it should have been done by now.
	Over bool
}

// CalibrationsDue lists the series whose calibration is due within a time of
// now, soonest first. It is a reminder, never an alarm.
func (p *Picture) CalibrationsDue(now time.Time, within time.Duration) []CalibrationDue {
	var due []CalibrationDue
	for i := range p.Sensors {
		for _, one := range p.Sensors[i].Series {
			if f := one.Calibration; f != nil && !f.Certificate.Due.IsZero() && f.Certificate.Due.Before(now.Add(within)) {
				due = append(due, CalibrationDue{f.Certificate.Series, f.Certificate.Due, f.Certificate.Overdue(now)})
			}
		}
	}
	slices.SortFunc(due, func(a, b CalibrationDue) int {
		return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Series.Sensor, b.Series.Sensor), cmp.Compare(a.Series.Quantity, b.Series.Quantity))
	})
	return due
}
