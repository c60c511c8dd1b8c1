// Package lookback reads in the records what was, and works out what would
// have been: how the alarms have done, what other limits would have made of
// the past, and how the past comes out when it is gone through again.
package lookback

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/performance"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/records"
	"rearguard/sensors"
)

// Span is a stretch of time in the zone in which its days begin.
type Span struct {
	From, To time.Time
	Location *time.Location
}

// AlarmPerformance is how the alarm system itself has done.
type AlarmPerformance struct {
	From     time.Time      `json:"from"`
	To       time.Time      `json:"to"`
	Location *time.Location `json:"-"`
	// Shortened is set when details of the time before From are kept in short
	// only, and nothing can be measured there.
	Shortened bool `json:"shortened,omitempty"`
	performance.Report
	// NightPages are notices by night that called the person called most, a
	// night; BusyNights had more than two.
	NightPages float64 `json:"most_pages_per_person_and_night"`
	BusyNights int     `json:"busy_nights"`
}

// Nights as people sleep: common practice, no published source.
const (
	nightFrom = 22
	nightTo   = 7
)

// performanceLead is how much of the audit before a span is read, to know
// what was active and unanswered at its start.
const performanceLead = 31 * 24 * time.Hour

// Performance measures the alarm system from the audit in the records. What
// people entered about an alarm, shelved or took out of service counts as an
// action; so does a count or a move of a cohort in the room while the alarm
// was on.
func Performance(ctx context.Context, reader *records.Reader, span Span) (*AlarmPerformance, error) {
	if span.Location == nil {
		span.Location = time.UTC
	}
	condensed, err := reader.Condensed(ctx)
	if err != nil {
		return nil, err
	}
	asked := span.From
	for _, before := range []time.Time{condensed.Steps, condensed.Notices} {
		if span.From.Before(before) {
			span.From = before
		}
	}
	steps, err := reader.AlarmTransitions(ctx, span.From.Add(-performanceLead), span.To)
	if err != nil {
		return nil, fmt.Errorf("read the audit of alarms: %w", err)
	}
	entries := make([]performance.Entry, len(steps))
	for i, s := range steps {
		entries[i] = entryOf(s)
	}
	actions, err := actionsOf(ctx, reader, steps, span)
	if err != nil {
		return nil, err
	}
	out := &AlarmPerformance{From: span.From, To: span.To, Location: span.Location, Shortened: span.From.After(asked)}
	out.Report = performance.Measure(entries, performance.Period{
		From: span.From, To: span.To, Location: span.Location, NightFrom: nightFrom, NightTo: nightTo, Actions: actions,
	})
	if err := out.nights(ctx, reader); err != nil {
		return nil, err
	}
	return out, nil
}

// entryOf is a step as the measurement wants it.
func entryOf(s records.AlarmTransition) performance.Entry {
	return performance.Entry{Priority: s.Priority, Transition: alerts.Transition{
		Occurrence: s.Occurrence, Key: s.Key, Time: s.Time, Event: s.Event, From: s.From, To: s.To,
		Who: s.Who, Reason: s.Reason, Annunciate: s.Annunciate, Cleared: s.Cleared,
	}}
}

// actionsOf tells which occurrences somebody did something about, beyond
// saying that it was seen.
func actionsOf(ctx context.Context, reader *records.Reader, steps []records.AlarmTransition, span Span) (map[int64]bool, error) {
	type open struct {
		key        alerts.Key
		from, till time.Time
	}
	list := map[int64]*open{}
	actions := map[int64]bool{}
	for _, s := range steps {
		if s.Occurrence == 0 {
			continue
		}
		o := list[s.Occurrence]
		if o == nil {
			o = &open{key: s.Key, from: s.Time}
			list[s.Occurrence] = o
		}
		o.till = span.To
		if s.To == alerts.Normal || s.To == alerts.Returned {
			o.till = s.Time
		}
		if s.Who != "" && s.Event != alerts.EventAcknowledge && s.Event != alerts.EventGoing {
			actions[s.Occurrence] = true
		}
	}
	rooms, err := roomsOf(ctx, reader)
	if err != nil {
		return nil, err
	}
	for entry, err := range reader.Journal(ctx, span.From, span.To) {
		if err != nil {
			return nil, fmt.Errorf("read the journal: %w", err)
		}
		if entry.Damage() != "" {
			continue
		}
		acted, err := rooms.actedOn(entry)
		if err != nil {
			return nil, err
		}
		for occurrence, o := range list {
			if slices.Contains(acted, o.key.Room) && !entry.Arrival.Before(o.from) && !entry.Arrival.After(o.till) {
				actions[occurrence] = true
			}
		}
	}
	return actions, nil
}

// cohortRooms tells where cohorts stood.
type cohortRooms map[population.CohortID]*population.Cohort

func roomsOf(ctx context.Context, reader *records.Reader) (cohortRooms, error) {
	cohorts, err := reader.LoadCohorts(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the cohorts: %w", err)
	}
	rooms := make(cohortRooms, len(cohorts))
	for i := range cohorts {
		rooms[cohorts[i].ID] = &cohorts[i]
	}
	return rooms, nil
}

// actedOn are the rooms in which somebody did something about a cohort: counted
// it, closed it, or moved it away or there.
func (c cohortRooms) actedOn(entry records.JournalEntry) ([]sensors.RoomID, error) {
	var id population.CohortID
	var moved sensors.RoomID
	var err error
	at := entry.Arrival
	switch entry.Kind {
	case fold.MoveCohort{}.Kind():
		var m fold.MoveCohort
		err = json.Unmarshal(entry.Body, &m)
		id, moved, at = m.Cohort, m.Room, m.At
	case fold.RecordCount{}.Kind():
		var r fold.RecordCount
		err = json.Unmarshal(entry.Body, &r)
		id = r.Count.Cohort
	case fold.EndCohort{}.Kind():
		var e fold.EndCohort
		err = json.Unmarshal(entry.Body, &e)
		id, at = e.Cohort, e.At
	default:
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("journal entry %d (%s): %w", entry.Seq, entry.Kind, err)
	}
	var rooms []sensors.RoomID
	if cohort := c[id]; cohort != nil {
		// A moment earlier, so that a move counts for the room it left, and an
		// end for the last room.
		if room, ok := cohort.RoomAt(at.Add(-time.Second)); ok {
			rooms = append(rooms, room)
		}
	}
	if moved != "" {
		rooms = append(rooms, moved)
	}
	return rooms, nil
}

// nights counts the notices that called people by night.
func (p *AlarmPerformance) nights(ctx context.Context, reader *records.Reader) error {
	type night struct{ who, day string }
	pages := map[night]int{}
	people := map[string]int{}
	rows, err := reader.NoticesBetween(ctx, p.From, p.To)
	if err != nil {
		return fmt.Errorf("read the outbox: %w", err)
	}
	seen := map[string]bool{}
	for _, row := range rows {
		local := row.CreatedAt.In(p.Location)
		if hour := local.Hour(); hour >= nightTo && hour < nightFrom || !callsSomebody(row) {
			continue
		}
		// One piece of news by several channels wakes a person once.
		news := fmt.Sprint(row.Occurrence, row.CreatedAt.UnixMilli(), row.Recipient)
		if seen[news] {
			continue
		}
		seen[news] = true
		pages[night{row.Recipient, local.Add(-nightTo * time.Hour).Format(time.DateOnly)}]++
		people[row.Recipient]++
	}
	for _, n := range pages {
		if n > 2 {
			p.BusyNights++
		}
	}
	days := p.To.Sub(p.From).Hours() / 24
	for _, n := range people {
		p.NightPages = max(p.NightPages, float64(n)/max(1, days))
	}
	return nil
}

// PerformanceLine is one figure beside what it should be.
type PerformanceLine struct {
	What, Value, Target string
	// Bad is set where the target is missed.
	Bad bool
}

// Lines are the figures for people, with the targets of ISA-18.2 and IEC 62682
// for a manned console, and this house's own for a phone at night.
func (p *AlarmPerformance) Lines() []PerformanceLine {
	percent := func(share float64) string { return fmt.Sprintf("%.1f %%", 100*share) }
	lines := []PerformanceLine{
		{"calls", fmt.Sprint(p.Calls), "", false},
		{"calls a day", fmt.Sprintf("%.1f", p.CallsPerDay), "at most 150 on a console", p.CallsPerDay > 150},
		{"most in ten minutes", fmt.Sprint(p.PeakTenMinutes), "at most 10", p.PeakTenMinutes > 10},
		{"mean in ten minutes", fmt.Sprintf("%.3f", p.MeanTenMinutes), "at most 1", p.MeanTenMinutes > 1},
		{"time in flood", percent(p.FloodShare), "below 1 %", p.FloodShare >= 0.01},
		{"pages per night of the person called most", fmt.Sprintf("%.2f", p.NightPages), "at most 1 (house rule)", p.NightPages > 1},
		{"nights with more than two pages", fmt.Sprint(p.BusyNights), "few", false},
		{"chattering alarms", fmt.Sprint(len(p.Chattering)), "0", len(p.Chattering) > 0},
		{"fleeting alarms", fmt.Sprint(len(p.Fleeting)), "0", len(p.Fleeting) > 0},
		{"standing for more than a day", fmt.Sprint(len(p.Stale)), "below 5", len(p.Stale) >= 5},
		{"called and not acknowledged", fmt.Sprint(p.Unacknowledged), "0", p.Unacknowledged > 0},
		{"called and nothing recorded as done", fmt.Sprint(p.WithoutAction), "each is a candidate for being no alarm", false},
		{"shelved, out of service", fmt.Sprintf("%d, %d", p.Shelvings, p.OutOfService), "", false},
	}
	if a := p.Acknowledgement; a.Count > 0 {
		lines = append(lines, PerformanceLine{"time to acknowledge", fmt.Sprintf("%s median, %s for 9 of 10", a.Median.Round(time.Second), a.P90.Round(time.Second)), "", false})
	}
	for _, one := range []struct {
		p      alerts.Priority
		target string
	}{{alerts.Critical, "about 1 %"}, {alerts.High, "about 5 %"}, {alerts.Medium, "about 15 %"}, {alerts.Low, "about 80 %"}} {
		lines = append(lines, PerformanceLine{"share of priority " + one.p.String(), percent(p.Priorities[one.p.String()]), one.target, false})
	}
	return lines
}

// callsSomebody reports whether a notice calls for a person, and does not only
// say that something is over.
func callsSomebody(row notify.Notice) bool {
	var n struct {
		Kind notify.Kind `json:"kind"`
	}
	return json.Unmarshal(row.Payload, &n) == nil && (n.Kind == notify.Raised || n.Kind == notify.Reminder)
}
