package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/dashboards/entry"
	"rearguard/sensors"
)

// AlarmDesk answers from the records how the alarms have done.
type AlarmDesk interface {
	// Performance measures the alarms over the last days.
	Performance(ctx context.Context, days int) (*daemon.AlarmPerformance, error)
	// Try says what other limits would have made of a room's last days.
	Try(ctx context.Context, ask daemon.TryRequest) (*daemon.Tried, error)
}

// alarmRoutes are the pages about the alarms themselves.
func (s *Site) alarmRoutes() {
	s.mux.HandleFunc("GET /alarms/performance", s.page(s.performancePage))
	s.mux.HandleFunc("GET /alarms/try", s.page(s.tryPage))
	s.mux.HandleFunc("POST /alarms/out-of-service", s.post(postOutOfService))
	s.mux.HandleFunc("POST /alarms/return", s.post(postReturn))
	s.mux.HandleFunc("POST /alarms/unsuppress", s.post(postUnsuppress))
	s.mux.HandleFunc("POST /alarms/reset", s.post(postReset))
}

// alarmPart finds the page that a stream of one of these pages belongs to.
// What they show of the past is not sent again with every change.
func alarmPart(path string) (builder, bool) {
	if path != "/alarms/performance" && path != "/alarms/try" {
		return nil, false
	}
	return func(*view, *http.Request) (pageSpec, error) { return pageSpec{Title: "Alarms"}, nil }, true
}

// errNoRecords is shown where pages have no records behind them.
var errNoRecords = fmt.Errorf("the records are %w: this server shows the present only", entry.ErrUnknown)

// performanceDays are the spans offered; the standard asks for at least 30
// days before its figures mean much.
var performanceDays = []int{7, 30, 90, 365}

type performanceModel struct {
	*daemon.AlarmPerformance
	Days  int
	Spans []int
}

func (s *Site) performancePage(_ *view, r *http.Request) (pageSpec, error) {
	if s.options.Alarms == nil {
		return pageSpec{}, errNoRecords
	}
	m := performanceModel{Days: 30, Spans: performanceDays}
	if days, err := strconv.Atoi(r.URL.Query().Get("days")); err == nil && slices.Contains(performanceDays, days) {
		m.Days = days
	}
	var err error
	if m.AlarmPerformance, err = s.options.Alarms.Performance(r.Context(), m.Days); err != nil {
		return pageSpec{}, err
	}
	return pageSpec{Title: "How the alarms do", Data: m, Sections: []sectionSpec{{"alarm-performance", false}}}, nil
}

// tryField is one limit that can be typed.
type tryField struct {
	Name, Label, Unit string
	Value             string
	// Now is the limit in force, empty for none.
	Now string
}

type tryModel struct {
	Rooms  []daemon.RoomView
	Room   sensors.RoomID
	Days   string
	Fields []tryField
	Tried  *daemon.Tried
	Took   time.Duration
	// Pairs set what happened beside what would have been.
	Pairs   []tryPair
	Losses  []rearing.Count
	Changes []daemon.LimitChange
}

// tryPair is one line: an episode as it happened, as it would have been, or
// both where they overlap.
type tryPair struct {
	Happened, Would *daemon.Episode
}

// Condition is what the line is about.
func (p tryPair) Condition() alerts.Condition { return p.either().Condition }

// Raised is when the earlier of the two began.
func (p tryPair) Raised() time.Time {
	if p.Happened != nil && p.Would != nil && p.Would.Raised.Before(p.Happened.Raised) {
		return p.Would.Raised
	}
	return p.either().Raised
}

func (p tryPair) either() *daemon.Episode {
	if p.Happened != nil {
		return p.Happened
	}
	return p.Would
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
func (s *Site) tryPage(v *view, r *http.Request) (pageSpec, error) {
	if s.options.Alarms == nil {
		return pageSpec{}, errNoRecords
	}
	q := r.URL.Query()
	m := tryModel{Rooms: v.S.Rooms, Room: sensors.RoomID(q.Get("room")), Days: q.Get("days"), Fields: tryFields(), Changes: v.S.LimitChanges}
	if m.Days == "" {
		m.Days = "7"
	}
	for i := range m.Fields {
		m.Fields[i].Value = q.Get(m.Fields[i].Name)
		m.Fields[i].Now = limitNow(v.S, m.Room, m.Fields[i].Name)
	}
	spec := pageSpec{Title: "Try limits", Sections: []sectionSpec{{"alarm-try", false}}}
	if m.Room != "" {
		if err := s.try(r, q, &m); err != nil {
			v.Problem = sentence(err.Error())
		}
	}
	spec.Data = m
	return spec, nil
}

func (s *Site) try(r *http.Request, q url.Values, m *tryModel) error {
	limits, err := limitsOf(q)
	if err != nil {
		return err
	}
	days, err := strconv.Atoi(m.Days)
	if err != nil {
		return fmt.Errorf("enter the days as a whole number")
	}
	began := s.options.Wall()
	if m.Tried, err = s.options.Alarms.Try(r.Context(), daemon.TryRequest{Room: m.Room, Days: days, Limits: limits}); err != nil {
		return err
	}
	m.Took = s.options.Wall().Sub(began)
	m.Pairs, m.Losses = pairs(m.Tried), m.Tried.Losses
	return nil
}

// limitsOf reads the typed limits; an empty field leaves what the room has.
func limitsOf(q url.Values) (facility.Limits, error) {
	var l facility.Limits
	var failed error
	value := func(name string, low, high float64) *float64 {
		text := strings.ReplaceAll(strings.TrimSpace(q.Get(name)), ",", ".")
		if text == "" {
			return nil
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || !(x >= low && x <= high) {
			failed = fmt.Errorf("%s: enter a number from %g to %g", strings.ReplaceAll(name, "_", " "), low, high)
			return nil
		}
		return &x
	}
	minutes := func(name string) time.Duration {
		if x := value(name, 1, 7*24*60); x != nil {
			return time.Duration(*x * float64(time.Minute))
		}
		return 0
	}
	l.HeatCelsius, l.ChillCelsius = value("heat", -20, 60), value("chill", -20, 60)
	l.DryingKilopascals, l.DryingAfter = value("drying", 0.05, 15), minutes("drying_minutes")
	l.DampPercent, l.DampAfter = value("damp", 20, 100), minutes("damp_minutes")
	l.DaySwingCelsius, l.FastChangeCelsiusPerHour = value("day_swing", 1, 40), value("fast_change", 1, 60)
	return l, failed
}

// limitNow writes the limit in force for a field.
func limitNow(s *daemon.Snapshot, room sensors.RoomID, field string) string {
	for _, r := range s.Rooms {
		if r.ID != room {
			continue
		}
		for _, l := range r.Limits {
			switch name, minutes := strings.CutSuffix(field, "_minutes"); {
			case string(l.Condition) != name:
			case minutes:
				return fmt.Sprintf("%.0f min", l.After.Minutes())
			default:
				return fmt.Sprintf("%s, set by %s", withUnit(number(l.Value, l.Unit), l.Unit), l.SetBy)
			}
		}
	}
	return ""
}

// pairs sets overlapping episodes of the same alarm side by side.
func pairs(t *daemon.Tried) []tryPair {
	var list []tryPair
	used := make([]bool, len(t.Would))
	for i := range t.Happened {
		h := &t.Happened[i]
		p := tryPair{Happened: h}
		for j := range t.Would {
			w := &t.Would[j]
			if !used[j] && w.Condition == h.Condition && w.Subject == h.Subject && overlap(h, w) {
				p.Would, used[j] = w, true
				break
			}
		}
		list = append(list, p)
	}
	for j := range t.Would {
		if !used[j] {
			list = append(list, tryPair{Would: &t.Would[j]})
		}
	}
	slices.SortStableFunc(list, func(a, b tryPair) int { return b.Raised().Compare(a.Raised()) })
	return list
}

func overlap(a, b *daemon.Episode) bool {
	return (a.Cleared == nil || !b.Raised.After(*a.Cleared)) && (b.Cleared == nil || !a.Raised.After(*b.Cleared))
}

func postOutOfService(f form) (outcome, builder, error) {
	cmd, err := entry.OutOfService(f.S, f.key(), f.get("who"), f.get("reason"))
	return outcome{cmd, cmd.Who, "out-of-service", f.back()}, nil, err
}

func postReturn(f form) (outcome, builder, error) {
	cmd, err := entry.ReturnToService(f.S, f.key(), f.get("who"))
	return outcome{cmd, cmd.Who, "returned", f.back()}, nil, err
}

func postUnsuppress(f form) (outcome, builder, error) {
	cmd, err := entry.Unsuppress(f.S, f.key(), f.get("who"))
	return outcome{cmd, cmd.Who, "unsuppressed", f.back()}, nil, err
}

func postReset(f form) (outcome, builder, error) {
	cmd, err := entry.Reset(f.S, f.key(), f.get("who"))
	return outcome{cmd, cmd.Who, "reset", f.back()}, nil, err
}
