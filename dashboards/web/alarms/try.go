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
	Tried  *lookback.Answer
	// Pairs set what happened beside what would have been.
	Pairs   []tryPair
	Changes []snapshot.LimitChange
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

// tryPage shows the form, and with a room in the address also the answer. It
// changes nothing, so it is a plain address that can be sent to a colleague.
func (p past) tryPage(v *page.View, r *http.Request) (page.Content, error) {
	if p.records == nil {
		return page.Content{}, errNoRecords
	}
	q := &forms.Fields{Values: r.URL.Query(), Zone: v.Loc}
	m := tryModel{Rooms: v.S.Rooms, Room: sensors.RoomID(q.Get("room")), Days: q.Get("days"), Fields: tryFields(), Changes: v.S.LimitChanges}
	if m.Days == "" {
		m.Days = "7"
	}
	for i := range m.Fields {
		m.Fields[i].Value = q.Get(m.Fields[i].Name)
		m.Fields[i].Now = limitNow(v.S, m.Room, m.Fields[i].Name)
	}
	if m.Room != "" {
		if err := p.try(r.Context(), q, &m); err != nil {
			v.Problem = page.Sentence(err)
		}
	}
	return page.Content{Title: "Try limits", Data: m}, nil
}

func (p past) try(ctx context.Context, q *forms.Fields, m *tryModel) error {
	limits := limitsOf(q)
	if err := q.Err(); err != nil {
		return err
	}
	days, err := strconv.Atoi(m.Days)
	if err != nil {
		return errors.New("enter the days as a whole number")
	}
	if m.Tried, err = p.records.WithLimits(ctx, lookback.Question{Room: m.Room, Days: days, Limits: limits}); err != nil {
		return err
	}
	m.Pairs = pairs(m.Tried)
	return nil
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
