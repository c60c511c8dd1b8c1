package alarms

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/wording"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/page"
)

// Incidents answer from the records which incidents there were.
type Incidents interface {
	// Incidents are those that ended in the last days, the newest first, a bounded
	// number of them.
	Incidents(ctx context.Context, days int) ([]snapshot.Incident, error)
	// Incident is the ended one of a number, nil if there is none.
	Incident(ctx context.Context, number int64) (*snapshot.Incident, error)
}

// ended is an incident that is over, or not yet, with the words of a page.
type ended struct {
	*snapshot.Incident
	RoomName string
	V        *page.View
}

// Lasted is how long it was on, until now if it still is; an incident is over
// some time after its last alarm.
func (e ended) Lasted() string {
	till := e.QuietAt
	if till.IsZero() {
		till = e.V.S.Time
	}
	return format.Span(till.Sub(e.BeganAt))
}

// Over reports whether it has ended.
func (e ended) Over() bool { return !e.EndedAt.IsZero() }

// Priority is that of the alarm by which it is known.
func (e ended) Priority() alerts.Priority { return e.About().Priority }

// Furthest is the alarm with its peak and dose, one without a value if none has.
func (e ended) Furthest() fact {
	if m := e.Measured(); m != nil {
		return factOf(e, m)
	}
	return factOf(e, e.About())
}

// Facts are its alarms as they were, in the order in which they joined.
func (e ended) Facts() []fact {
	list := make([]fact, len(e.Members))
	for k := range e.Members {
		list[k] = factOf(e, &e.Members[k])
	}
	return list
}

// fact is an alarm of an incident as it was.
type fact struct {
	*incidents.Member
	Title string
}

func factOf(e ended, m *incidents.Member) fact {
	k := slices.IndexFunc(e.Members, func(o incidents.Member) bool { return o.Occurrence == m.Occurrence })
	return fact{m, e.Titles[k]}
}

// PeakWords is how far it went, with the limit of that time; empty without a
// value.
func (f fact) PeakWords() string {
	if f.Peak.Unit == "" {
		return ""
	}
	words := fmt.Sprintf("%s (limit %s)", format.Value(f.Peak.Value, f.Peak.Unit), format.Value(f.Peak.Limit, f.Peak.Unit))
	if beside := (wording.Reader{}).Beside(wording.Measure{Value: f.Peak.Value, Unit: f.Peak.Unit, AirC: f.Peak.AirC}); beside != "" {
		words += ", " + beside
	}
	return words
}

// DoseWords is its dose; empty without one.
func (f fact) DoseWords() string {
	if f.Dose <= 0 {
		return ""
	}
	return format.Value(f.Dose, f.Peak.Unit) + "·h"
}

type historyModel struct {
	Days  int
	Spans []int
	List  []ended
}

// daySpans are the days offered; the standards for alarms ask for at least 30
// before their figures mean much.
var daySpans = []int{7, 30, 90, 365}

// spanOf is one of some spans in days that the visitor asks for.
func spanOf(r *http.Request, spans []int, fallback int) int {
	if days, err := strconv.Atoi(r.URL.Query().Get("days")); err == nil && slices.Contains(spans, days) {
		return days
	}
	return fallback
}

func (d *Desk) historyPage(v *page.View, r *http.Request) (page.Content, error) {
	if d.records == nil {
		return page.Content{}, errNoRecords
	}
	m := historyModel{Days: spanOf(r, daySpans, 30), Spans: daySpans}
	list, err := d.records.Incidents(r.Context(), m.Days)
	if err != nil {
		return page.Content{}, err
	}
	for k := range list {
		m.List = append(m.List, ended{&list[k], v.S.RoomName(list[k].Room), v})
	}
	return page.Content{Title: "What happened", Data: m}, nil
}

// incidentPage shows one incident: as it is now, or as it was.
func (d *Desk) incidentPage(v *page.View, r *http.Request) (page.Content, error) {
	number, err := strconv.ParseInt(r.PathValue("number"), 10, 64)
	unknown := fmt.Errorf("incident %s is %w", r.PathValue("number"), snapshot.ErrUnknown)
	if err != nil {
		return page.Content{}, unknown
	}
	i := v.S.Incident(number)
	if i == nil && d.records != nil {
		if i, err = d.records.Incident(r.Context(), number); err != nil {
			return page.Content{}, err
		}
	}
	if i == nil {
		return page.Content{}, unknown
	}
	e := ended{i, v.S.RoomName(i.Room), v}
	m := incidentModel{ended: e}
	for _, c := range leadsOf(v, true) {
		if c.Incident != nil && c.Incident.Number == number {
			m.Card = &c
		}
	}
	return page.Content{Title: format.Capital(i.Title), Data: m}, nil
}

type incidentModel struct {
	ended
	// Card is that of the alarm to act on, nil once nothing of it is open.
	Card *Card
}
