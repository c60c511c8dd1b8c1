package roster

import (
	"fmt"
	"strings"
	"time"
)

// Clock is a time of day in minutes after midnight, as clocks on the wall show
// it.
type Clock int

func clockOf(at time.Time) Clock { return Clock(at.Hour()*60 + at.Minute()) }

// String writes it as 07:00.
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }

func parseClock(text string) (Clock, error) {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time of day such as 07:00", text)
	}
	return clockOf(t), nil
}

// Hours are those from one time of day until just before another, over midnight
// where that is not later. They go by the clock on the wall: an hour that it shows
// twice counts twice, one that it leaves out does not.
type Hours struct{ From, To Clock }

// ParseHours reads hours written as 22:00..07:00.
func ParseHours(text string) (Hours, error) {
	from, to, _ := strings.Cut(text, "..")
	var h Hours
	var err error
	if h.From, err = parseClock(from); err != nil {
		return h, err
	}
	if h.To, err = parseClock(to); err != nil {
		return h, err
	}
	if h.From == h.To {
		return h, fmt.Errorf("%s is no time at all", text)
	}
	return h, nil
}

func (h Hours) overMidnight() bool { return h.To < h.From }

func (h Hours) contain(c Clock) bool {
	if h.overMidnight() {
		return c >= h.From || c < h.To
	}
	return c >= h.From && c < h.To
}

// end is the first instant from one within the hours on at which they are over.
func (h Hours) end(at time.Time) time.Time {
	at = at.Truncate(time.Minute)
	left := (int(h.To) - int(clockOf(at)) + 24*60) % (24 * 60)
	end := at.Add(time.Duration(left) * time.Minute)
	// A clock that was put forward or back meanwhile leaves it early or late.
	for end.After(at) && !h.contain(clockOf(end.Add(-time.Minute))) {
		end = end.Add(-time.Minute)
	}
	for h.contain(clockOf(end)) {
		end = end.Add(time.Minute)
	}
	return end
}

// Date is a day of the calendar in days since 1 January 1970; the zero value is
// none.
type Date int

const day = 24 * time.Hour

func dateOf(at time.Time) Date {
	y, m, d := at.Date()
	return Date(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / int64(day/time.Second))
}

// ParseDate reads a day written as 2026-06-01.
func ParseDate(text string) (Date, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1971 {
		return 0, fmt.Errorf("%q is not a day such as 2026-06-01", text)
	}
	return dateOf(t), nil
}

func (d Date) time() time.Time { return time.Unix(0, 0).UTC().AddDate(0, 0, int(d)) }

// String writes it as 2026-06-01.
func (d Date) String() string { return d.time().Format(time.DateOnly) }

func (d Date) plus(days int) Date { return d + Date(days) }

func (d Date) weekday() time.Weekday { return d.time().Weekday() }

// Span are days, the first and the last included.
type Span struct{ From, To Date }

func (s Span) contains(d Date) bool { return s.From <= d && d <= s.To }

// Days are days of the week from one to another, or holidays.
type Days struct {
	First, Last time.Weekday
	Holidays    bool
}

// shortDays are the names of days in the configuration.
func shortDays() []string { return []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"} }

func parseWeekday(text string) (time.Weekday, error) {
	for i, name := range shortDays() {
		if name == text {
			return time.Weekday(i), nil
		}
	}
	return 0, fmt.Errorf("%q is not a day of the week such as mon", text)
}

// ParseDays reads days written as mon, mon..fri or holidays.
func ParseDays(text string) (Days, error) {
	if text == "holidays" {
		return Days{Holidays: true}, nil
	}
	first, last, several := strings.Cut(text, "..")
	var d Days
	var err error
	if d.First, err = parseWeekday(first); err != nil {
		return d, err
	}
	d.Last = d.First
	if several {
		d.Last, err = parseWeekday(last)
	}
	return d, err
}

// contain reports whether a day is among them: a holiday only where they are
// holidays.
func (d Days) contain(w time.Weekday, holiday bool) bool {
	if d.Holidays || holiday {
		return d.Holidays && holiday
	}
	return (w-d.First+7)%7 <= (d.Last-d.First+7)%7
}

// Handover is when in a week one hands over to the next.
type Handover struct {
	Day time.Weekday
	At  Clock
}

// ParseHandover reads a handover written as mon 07:00.
func ParseHandover(text string) (Handover, error) {
	name, clock, _ := strings.Cut(text, " ")
	var h Handover
	var err error
	if h.Day, err = parseWeekday(name); err != nil {
		return h, err
	}
	h.At, err = parseClock(clock)
	return h, err
}

// weeks counts the weeks that have passed at an instant since the first handover
// on a day or after it; before that it is negative.
func (h Handover) weeks(from Date, at time.Time) int {
	first := from.plus(int(h.Day-from.weekday()+7) % 7)
	n := (int(dateOf(at)-first)+7*7000)/7 - 7000
	// The day of the handover, and the day before a clock is put back, may be on
	// either side of it.
	for h.on(first.plus(7*(n+1)), at.Location()).Compare(at) <= 0 {
		n++
	}
	for h.on(first.plus(7*n), at.Location()).After(at) {
		n--
	}
	return n
}

// on is the first instant of a day at which the clock shows the time of handing
// over, or, where it leaves that out, a later one.
func (h Handover) on(d Date, zone *time.Location) time.Time {
	y, m, dd := d.time().Date()
	// Clocks are put forward or back by two hours at most (common practice, no
	// published source).
	at := time.Date(y, m, dd, 0, int(h.At), 0, 0, zone).Add(-2 * time.Hour)
	for dateOf(at) < d || dateOf(at) == d && clockOf(at) < h.At {
		at = at.Add(time.Minute)
	}
	return at
}
