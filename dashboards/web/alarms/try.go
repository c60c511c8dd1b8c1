package alarms

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/facility"
	"rearguard/daemon/lookback"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/forms"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
)

// tryField is one limit that can be typed.
type tryField struct {
	Name, Label, Unit string
	Value             string
	// Now is the limit in force, empty for none.
	Now string
}

type tryModel struct {
	Rooms  []snapshot.Room
	Room   sensors.RoomID
	Days   string
	Fields []tryField
	// Trial is the newest trial, nil when there was none.
	Trial   *trialModel
	Changes []snapshot.LimitChange
}

// trialModel is a trial that runs or has ended.
type trialModel struct {
	Room    string
	Days    int
	Running bool
	Percent int64
	// Tried is the answer, nil when there is none (yet); Failed says why.
	Tried  *lookback.Answer
	Failed string
	// Pairs set what happened beside what would have been.
	Pairs []tryPair
}

// tryPair is one line: an episode as it happened, as it would have been, or
// both where they overlap.
type tryPair struct {
	Condition alerts.Condition
	// raised is when the earlier of the two began.
	raised          time.Time
	Happened, Would *lookback.Episode
}

func tryFields() []tryField {
	return []tryField{
		{Name: "heat", Label: "Heat", Unit: "°C"}, {Name: "chill", Label: "Cold", Unit: "°C"},
		{Name: "drying", Label: "Dryness (vapour pressure deficit)", Unit: "kPa"}, {Name: "drying_minutes", Label: "for longer than", Unit: "min"},
		{Name: "damp", Label: "Damp", Unit: "%"}, {Name: "damp_minutes", Label: "for longer than", Unit: "min"},
		{Name: "day_swing", Label: "Day swing", Unit: "°C"}, {Name: "fast_change", Label: "Fast change", Unit: "°C/h"},
	}
}

// tryPage shows the newest trial and the form for another. Opening it starts
// nothing.
func (d *Desk) tryPage(v *page.View, r *http.Request) (page.Content, error) {
	if d.records == nil {
		return page.Content{}, errNoRecords
	}
	newest := d.last()
	typed := r.URL.Query()
	switch {
	case len(v.Form) > 0:
		typed = v.Form
	case len(typed) == 0 && newest != nil:
		typed = newest.typed
	}
	m := tryModel{Rooms: v.S.Rooms, Room: sensors.RoomID(typed.Get("room")), Days: typed.Get("days"), Fields: tryFields(), Changes: v.S.LimitChanges}
	if m.Days == "" {
		m.Days = "7"
	}
	for i := range m.Fields {
		m.Fields[i].Value = typed.Get(m.Fields[i].Name)
		m.Fields[i].Now = limitNow(v.S, m.Room, m.Fields[i].Name)
	}
	content := page.Content{Title: "Try limits"}
	if newest != nil {
		m.Trial = &trialModel{Room: v.S.RoomName(newest.ask.Room), Days: newest.ask.Days, Running: newest.running(), Percent: newest.percent()}
		if m.Trial.Running {
			content.RefreshSeconds = tryRefreshSeconds
		} else {
			m.Trial.end(newest)
		}
	}
	content.Data = m
	return content, nil
}

// tryRefreshSeconds is how often a page without JavaScript looks how far a
// trial has come.
const tryRefreshSeconds = 3

// end shows what came of a trial.
func (m *trialModel) end(t *trial) {
	switch {
	case errors.Is(t.err, context.Canceled):
		m.Failed = "It was stopped before it was done."
	case t.err != nil:
		m.Failed = page.Sentence(t.err)
	default:
		m.Tried, m.Pairs = t.answer, pairs(t.answer)
	}
}

// takeTry starts a trial.
func (d *Desk) takeTry(f *page.Form) (page.Outcome, error) {
	if d.records == nil {
		return page.Outcome{}, errNoRecords
	}
	limits := limitsOf(&f.Fields)
	days, err := strconv.Atoi(f.Text("days"))
	if err != nil {
		return page.Outcome{}, errors.New("enter the days as a whole number")
	}
	ask := lookback.Question{Room: sensors.RoomID(f.Text("room")), Days: days, Limits: limits}
	if err := ask.Check(); err != nil {
		return page.Outcome{}, err
	}
	if _, err := f.S.Room(ask.Room); err != nil {
		return page.Outcome{}, errors.New("choose a room")
	}
	return page.Outcome{Run: func() error { return d.start(ask, f.Values) }, Back: "/alarms/try"}, nil
}

// takeStop stops the trial that runs.
func (d *Desk) takeStop(*page.Form) (page.Outcome, error) {
	return page.Outcome{Run: func() error { d.cancel(); return nil }, Back: "/alarms/try"}, nil
}

// limitsOf reads the typed limits; an empty field leaves what the room has.
func limitsOf(q *forms.Fields) facility.Limits {
	value := func(name string, low, high float64) *float64 {
		return q.Between(name, low, high, fmt.Sprintf("%s: enter a number from %g to %g", strings.ReplaceAll(name, "_", " "), low, high))
	}
	minutes := func(name string) time.Duration {
		if x := value(name, 1, 7*24*60); x != nil {
			return time.Duration(*x * float64(time.Minute))
		}
		return 0
	}
	var l facility.Limits
	l.HeatCelsius, l.ChillCelsius = value("heat", -20, 60), value("chill", -20, 60)
	l.DryingKilopascals, l.DryingAfter = value("drying", 0.05, 15), minutes("drying_minutes")
	l.DampPercent, l.DampAfter = value("damp", 20, 100), minutes("damp_minutes")
	l.DaySwingCelsius, l.FastChangeCelsiusPerHour = value("day_swing", 1, 40), value("fast_change", 1, 60)
	return l
}

// limitNow writes the limit in force for a field.
func limitNow(s *snapshot.Snapshot, id sensors.RoomID, field string) string {
	room, err := s.Room(id)
	if err != nil {
		return ""
	}
	condition, minutes := strings.CutSuffix(field, "_minutes")
	for _, l := range room.Limits {
		switch {
		case string(l.Condition) != condition:
		case minutes:
			return fmt.Sprintf("%.0f min", l.After.Minutes())
		default:
			return format.Value(l.Value, l.Unit) + ", set by " + l.SetBy
		}
	}
	return ""
}

// pairs sets overlapping episodes of the same alarm side by side, the latest
// first.
func pairs(t *lookback.Answer) []tryPair {
	var list []tryPair
	used := make([]bool, len(t.Would))
	for i := range t.Happened {
		h := &t.Happened[i]
		p := tryPair{Condition: h.Condition, raised: h.Raised, Happened: h}
		for j := range t.Would {
			w := &t.Would[j]
			if !used[j] && w.Condition == h.Condition && w.Subject == h.Subject && overlap(h, w) {
				p.Would, used[j] = w, true
				if w.Raised.Before(p.raised) {
					p.raised = w.Raised
				}
				break
			}
		}
		list = append(list, p)
	}
	for j := range t.Would {
		if w := &t.Would[j]; !used[j] {
			list = append(list, tryPair{Condition: w.Condition, raised: w.Raised, Would: w})
		}
	}
	slices.SortStableFunc(list, func(a, b tryPair) int { return b.raised.Compare(a.raised) })
	return list
}

func overlap(a, b *lookback.Episode) bool {
	return (a.Cleared == nil || !b.Raised.After(*a.Cleared)) && (b.Cleared == nil || !a.Raised.After(*b.Cleared))
}
