package facility

import (
	"cmp"
	"fmt"
	"time"
)

// DrillPeriod is how often a drill is started by itself.
type DrillPeriod string

// The periods of drills.
const (
	Weekly    DrillPeriod = "weekly"
	Monthly   DrillPeriod = "monthly"
	Quarterly DrillPeriod = "quarterly"
)

// Drills says when a drill is started by itself: a test notice to everybody on
// the roster by each of their channels. The zero value is never.
type Drills struct {
	Every DrillPeriod `yaml:"every" rule:"one=weekly|monthly|quarterly"`
	// Day is that of the month, of the first month of a quarter, or of the week,
	// 1 being Monday.
	Day int `yaml:"day" rule:"range=1..28"`
	// At is the time of day as 15:04, in the facility's time zone.
	At string `yaml:"at"`
}

const (
	// drillWindow is how long after its time of day a drill is still started: it
	// must not come at night because the daemon was started then.
	drillWindow = time.Hour
	// drillGrace is how long a drill that was missed is made up for, each day at
	// its time, and how much older than its period the last one may be.
	drillGrace = 7 * 24 * time.Hour
)

func (d *Drills) fillDefaults() {
	if d.Every != "" {
		d.Day, d.At = cmp.Or(d.Day, 1), cmp.Or(d.At, "10:00")
	}
}

// on is the time of day of a drill on a day, in the zone of the day.
func (d Drills) on(year int, month time.Month, day int, zone *time.Location) time.Time {
	at, err := time.Parse("15:04", d.At)
	if err != nil {
		return time.Time{} // which validation refuses
	}
	return time.Date(year, month, day, at.Hour(), at.Minute(), 0, 0, zone)
}

// period names the period in which a time lies, and says when its drill is due.
// The period that is some further on is asked for with ahead.
func (d Drills) period(now time.Time, zone *time.Location, ahead int) (name string, due time.Time) {
	t := now.In(zone)
	year, month, day := t.Date()
	switch d.Every {
	case Weekly:
		monday := day - (int(t.Weekday())+6)%7 + 7*ahead
		due = d.on(year, month, monday+d.Day-1, zone)
		inYear, week := time.Date(year, month, monday, 12, 0, 0, 0, zone).ISOWeek()
		return fmt.Sprintf("%d-W%02d", inYear, week), due
	case Monthly:
		due = d.on(year, month+time.Month(ahead), d.Day, zone)
		return due.Format("2006-01"), due
	case Quarterly:
		due = d.on(year, month-(month-1)%3+time.Month(3*ahead), d.Day, zone)
		return fmt.Sprintf("%d-Q%d", due.Year(), (due.Month()+2)/3), due
	}
	return "", time.Time{}
}

// Starts names the period whose drill is to be started at a time, unless that
// was done: on its day at its time of day or, where that was missed, at the same
// time of one of the days after it. It is empty for none.
func (d Drills) Starts(now time.Time, zone *time.Location) string {
	if d.Every == "" {
		return ""
	}
	name, due := d.period(now, zone, 0)
	year, month, day := now.In(zone).Date()
	since := now.Sub(d.on(year, month, day, zone))
	if now.Before(due) || now.Sub(due) >= drillGrace || since < 0 || since >= drillWindow {
		return ""
	}
	return name
}

// Next is when the next drill is due after a time, zero for never.
func (d Drills) Next(now time.Time, zone *time.Location) time.Time {
	_, due := d.period(now, zone, 0)
	if d.Every != "" && !now.Before(due) {
		_, due = d.period(now, zone, 1)
	}
	return due
}

// Overdue reports whether a drill has been waited for too long at a time, when
// the last one was started, zero for none.
func (d Drills) Overdue(last, now time.Time) bool {
	const day = 24 * time.Hour
	length := map[DrillPeriod]time.Duration{Weekly: 7 * day, Monthly: 31 * day, Quarterly: 92 * day}[d.Every]
	return length > 0 && (last.IsZero() || now.Sub(last) > length+drillGrace)
}

// validateDrills checks how the parts of a schedule fit together.
func validateDrills(d *document, s *Drills) {
	if s.Every == "" {
		for _, key := range []string{"day", "at"} {
			if path := "drills." + key; d.Has(path) && !d.Has("drills.every") {
				d.Fault(path, key+" without every", "add every: monthly, or remove it: without every a drill is started by hand only")
			}
		}
		return
	}
	if s.Every == Weekly && s.Day > 7 {
		d.Fault("drills.day", fmt.Sprintf("%d is no day of a week", s.Day), "write 1 for Monday to 7 for Sunday")
	}
	if _, err := time.Parse("15:04", s.At); d.Has("drills.at") && err != nil {
		d.Fault("drills.at", fmt.Sprintf("%q is not a time of day", s.At), "write hours and minutes in quotes, for example \"10:00\"")
	}
}
