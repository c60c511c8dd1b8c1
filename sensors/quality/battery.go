package quality

import (
	"math"
	"time"

	"rearguard/sensors"
)

// BatteryWatch follows a battery by its daily median, in percent. The zero
// value is ready.
//
// The percentage that a sensor reports is seldom linear in charge: lithium
// cells stay near the top for most of their life and then fall fast. So the
// trend is taken over the last fortnight only, and low has its own limit.
type BatteryWatch struct {
	Day      int64     `json:"day"`
	Today    []float64 `json:"today,omitempty"`
	Days     []float64 `json:"days,omitempty"`
	DayStart []int64   `json:"day_start,omitempty"`
	LowSince int64     `json:"low_since"`
	// PerDay is the trend of Days, kept because it is asked for often.
	PerDay float64 `json:"per_day"`
}

const (
	// Limits of common practice, no published source: low at 20 %, good again
	// at 25 %, and 30 days' notice of the day it reaches 5 %, where radios
	// of small sensors start to fail.
	batteryLow     = 20.0
	batteryGood    = 25.0
	batteryEmpty   = 5.0
	batteryNotice  = 30
	batteryDays    = 14
	batteryMinDays = 7
	batteryPerDay  = 48
)

// Observe takes a reading of the battery in percent. Values beyond 0 to 100
// are ignored.
func (b *BatteryWatch) Observe(t time.Time, percent float64) {
	if !(percent >= 0 && percent <= 100) {
		return
	}
	at := t.UnixMilli()
	if day := at / dayMillis; day != b.Day {
		b.closeDay()
		b.Day = day
	}
	if len(b.Today) < batteryPerDay {
		b.Today = append(b.Today, percent)
	} else {
		// Enough for a median; the newest ones replace the oldest.
		copy(b.Today, b.Today[1:])
		b.Today[batteryPerDay-1] = percent
	}
	switch {
	case percent >= batteryGood:
		b.LowSince = 0
	case percent <= batteryLow && b.LowSince == 0:
		b.LowSince = at
	}
}

// Rewind takes in that the clock was set back to now: of a battery that was
// seen later than that nothing is known.
func (b *BatteryWatch) Rewind(now time.Time) {
	if b.Day > now.UnixMilli()/dayMillis || b.LowSince > now.UnixMilli() {
		*b = BatteryWatch{}
	}
}

func (b *BatteryWatch) closeDay() {
	if len(b.Today) == 0 {
		return
	}
	level := sensors.Median(b.Today)
	b.Today = b.Today[:0]
	if n := len(b.Days); n > 0 && level > b.Days[n-1]+20 {
		// A new battery: its past says nothing.
		b.Days, b.DayStart = b.Days[:0], b.DayStart[:0]
	}
	if len(b.Days) == batteryDays {
		b.Days, b.DayStart = b.Days[1:], b.DayStart[1:]
	}
	b.Days, b.DayStart = append(b.Days, level), append(b.DayStart, b.Day*dayMillis)
	b.PerDay = slopeSince(b.DayStart, b.Days, b.DayStart[0])
}

// Fade returns the trend in percent a day and the days from now until the
// battery is empty (infinite when it does not fall). It needs a week.
func (b *BatteryWatch) Fade(now time.Time) (percentPerDay, daysLeft float64, ok bool) {
	n := len(b.Days)
	if n < batteryMinDays || len(b.DayStart) != n {
		return 0, 0, false
	}
	slope := b.PerDay
	if slope >= 0 {
		return slope, math.Inf(1), true
	}
	// A day's median stands for its noon.
	age := float64(now.UnixMilli()-b.DayStart[n-1])/float64(dayMillis) - 0.5
	return slope, math.Max(0, (b.Days[n-1]-batteryEmpty)/-slope-age), true
}

// Check complains of a battery that is low, or will be empty within 30 days.
func (b *BatteryWatch) Check(now time.Time) (Finding, bool) {
	if b.LowSince != 0 {
		level := 0.0
		if len(b.Today) > 0 {
			level = b.Today[len(b.Today)-1]
		}
		return Finding{CheckBatteryLow, sensors.Suspect, level, batteryLow, millis(b.LowSince)}, true
	}
	// A trend of less than half a percent a day is the reading's own wobble.
	if perDay, left, ok := b.Fade(now); ok && perDay < -0.5 && left <= batteryNotice {
		return Finding{CheckBatteryFading, sensors.Suspect, left, batteryNotice, now.UTC()}, true
	}
	return Finding{}, false
}
