// Package performance measures the alarm system itself, as ISA-18.2 and IEC
// 62682 ask: how often it calls, in what bursts, how evenly, and whether
// anybody acts. Everything is worked out from the audit of transitions.
package performance

import (
	"cmp"
	"slices"
	"time"

	"rearguard/alerts"
)

// Entry is one transition with the priority its alarm had.
type Entry struct {
	alerts.Transition
	Priority alerts.Priority
}

// Period is the time that is looked at: From is in it, To is not.
type Period struct {
	From, To time.Time
	// Location is the zone in which days begin and end; nil for UTC.
	Location *time.Location
	// Night is the part of the day, in hours, in which calls wake people;
	// it may run over midnight. Equal ends mean no night.
	NightFrom, NightTo int
	// Actions says which occurrences have a recorded action of a person
	// beyond acknowledging; nil if actions are not recorded.
	Actions map[int64]bool
}

// The numbers of the standards: a flood begins with more than 10 calls in ten
// minutes and ends with fewer than 5; an alarm is stale after a day; three
// activations in a minute are chattering.
const (
	bucket        = 10 * time.Minute
	floodBegins   = 10
	floodEnds     = 5
	staleAfter    = 24 * time.Hour
	chatterCount  = 3
	chatterWithin = time.Minute
	topCount      = 10
)

// Report is the performance over a period.
type Report struct {
	Calls int `json:"calls"`
	// CallsPerDay counts days as 24 h of the period.
	CallsPerDay float64 `json:"calls_per_day"`
	// CallsByDay and CallsByNight are in order of the days they began on,
	// without the days that had none.
	CallsByDay   []DayCount `json:"calls_by_day,omitempty"`
	CallsByNight []DayCount `json:"calls_by_night,omitempty"`
	// PeakTenMinutes is the most calls in any stretch of ten minutes;
	// MeanTenMinutes the mean over all tens of minutes of the period.
	PeakTenMinutes int     `json:"peak_ten_minutes"`
	MeanTenMinutes float64 `json:"mean_ten_minutes"`
	// BusyTenMinutesShare is the share of the tens of minutes with more
	// than 10 calls.
	BusyTenMinutesShare float64 `json:"busy_ten_minutes_share"`
	// FloodTime is the time in flood, FloodShare its share of the period.
	FloodTime  time.Duration `json:"flood_time"`
	FloodShare float64       `json:"flood_share"`
	// Top are the alarms that called most, and TopShare their share of all.
	Top      []KeyCount `json:"top,omitempty"`
	TopShare float64    `json:"top_share"`
	// Chattering are alarms with three activations within a minute, Fleeting
	// those that returned within a minute before anybody acknowledged.
	Chattering []KeyCount `json:"chattering,omitempty"`
	Fleeting   []KeyCount `json:"fleeting,omitempty"`
	// Stale are the alarms that were active for more than a day.
	Stale []Standing `json:"stale,omitempty"`
	// Priorities is the share of each priority among the calls.
	Priorities map[string]float64 `json:"priorities,omitempty"`
	// Acknowledgement is the time from a call to its acknowledgement.
	Acknowledgement Spread `json:"acknowledgement"`
	// Unacknowledged counts occurrences that called and were not
	// acknowledged, whether shelved or not, by the end of the period.
	Unacknowledged int `json:"unacknowledged"`
	// WithoutAction counts occurrences that called and for which no action
	// was recorded: candidates for being no alarm at all. It is -1 where
	// actions are not recorded.
	WithoutAction int `json:"without_action"`
	// Shelvings and OutOfService count silencings by people.
	Shelvings    int `json:"shelvings"`
	OutOfService int `json:"out_of_service"`
}

// DayCount counts calls on one day or in the night that began on it.
type DayCount struct {
	Day   string `json:"day"`
	Calls int    `json:"calls"`
}

// KeyCount counts something about one alarm.
type KeyCount struct {
	Key   alerts.Key `json:"key"`
	Count int        `json:"count"`
}

// Standing is one long activity of an alarm.
type Standing struct {
	Key    alerts.Key    `json:"key"`
	Since  time.Time     `json:"since"`
	Active time.Duration `json:"active"`
}

// Spread describes a set of durations. Median is zero where Count is.
type Spread struct {
	Count   int           `json:"count"`
	Median  time.Duration `json:"median"`
	P90     time.Duration `json:"p90"`
	Longest time.Duration `json:"longest"`
}

// Measure works out the report. Entries must be in order of time; those
// before the period tell what was active at its start and are not counted,
// those after it are ignored. A period without length gives an empty report.
func Measure(entries []Entry, p Period) Report {
	r := Report{WithoutAction: -1}
	if !p.To.After(p.From) {
		return r
	}
	var calls []Entry
	for _, e := range entries {
		if e.Annunciate && e.Event != alerts.EventRepeat && p.contains(e.Time) {
			calls = append(calls, e)
		}
	}
	r.Calls = len(calls)
	r.CallsPerDay = float64(r.Calls) / (p.To.Sub(p.From).Hours() / 24)
	r.countDays(calls, p)
	r.countTens(calls, p)
	r.countKeys(calls)
	r.follow(entries, p)
	return r
}

func (p Period) contains(t time.Time) bool { return !t.Before(p.From) && t.Before(p.To) }

// countDays fills the calls by day, by night, and by priority.
func (r *Report) countDays(calls []Entry, p Period) {
	zone := p.Location
	if zone == nil {
		zone = time.UTC
	}
	days, nights := map[string]int{}, map[string]int{}
	r.Priorities = map[string]float64{}
	for _, e := range calls {
		local := e.Time.In(zone)
		days[local.Format(time.DateOnly)]++
		if night, ok := p.night(local); ok {
			nights[night]++
		}
		r.Priorities[e.Priority.String()] += 1 / float64(len(calls))
	}
	r.CallsByDay, r.CallsByNight = dayCounts(days), dayCounts(nights)
}

// night returns the day on which the night of a local time began.
func (p Period) night(local time.Time) (string, bool) {
	hour := local.Hour()
	switch {
	case p.NightFrom < p.NightTo && hour >= p.NightFrom && hour < p.NightTo, p.NightFrom > p.NightTo && hour >= p.NightFrom:
		return local.Format(time.DateOnly), true
	case p.NightFrom > p.NightTo && hour < p.NightTo:
		return local.AddDate(0, 0, -1).Format(time.DateOnly), true
	}
	return "", false
}

func dayCounts(counts map[string]int) []DayCount {
	var list []DayCount
	for day, n := range counts {
		list = append(list, DayCount{day, n})
	}
	slices.SortFunc(list, func(a, b DayCount) int { return cmp.Compare(a.Day, b.Day) })
	return list
}

// countTens fills what is counted by ten minutes.
func (r *Report) countTens(calls []Entry, p Period) {
	tens := int((p.To.Sub(p.From) + bucket - 1) / bucket)
	counts := map[int]int{}
	for _, e := range calls {
		counts[int(e.Time.Sub(p.From)/bucket)]++
	}
	r.MeanTenMinutes = float64(len(calls)) / float64(tens)
	busy := 0
	for _, n := range counts {
		if n > floodBegins {
			busy++
		}
	}
	r.BusyTenMinutesShare = float64(busy) / float64(tens)
	flood := false
	for i := range tens {
		flood = counts[i] > floodBegins || flood && counts[i] >= floodEnds
		if flood {
			begin := p.From.Add(time.Duration(i) * bucket)
			r.FloodTime += min(bucket, p.To.Sub(begin))
		}
	}
	r.FloodShare = float64(r.FloodTime) / float64(p.To.Sub(p.From))
	// The peak is over any stretch, wherever it begins.
	first := 0
	for i, e := range calls {
		for e.Time.Sub(calls[first].Time) >= bucket {
			first++
		}
		r.PeakTenMinutes = max(r.PeakTenMinutes, i-first+1)
	}
}

// countKeys fills the alarms that called most.
func (r *Report) countKeys(calls []Entry) {
	counts := map[alerts.Key]int{}
	for _, e := range calls {
		counts[e.Key]++
	}
	r.Top = keyCounts(counts)
	r.Top = r.Top[:min(topCount, len(r.Top))]
	sum := 0
	for _, c := range r.Top {
		sum += c.Count
	}
	if len(calls) > 0 {
		r.TopShare = float64(sum) / float64(len(calls))
	}
}

// keyCounts puts the most frequent first.
func keyCounts(counts map[alerts.Key]int) []KeyCount {
	var list []KeyCount
	for key, n := range counts {
		list = append(list, KeyCount{key, n})
	}
	slices.SortFunc(list, func(a, b KeyCount) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), a.Key.Compare(b.Key))
	})
	return list
}
