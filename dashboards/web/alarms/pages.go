package alarms

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/lookback"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/page"
	"rearguard/sensors"
)

// Records answer how the alarms have done.
type Records interface {
	Incidents
	// Performance measures the alarms over the last days.
	Performance(ctx context.Context, days int) (*lookback.AlarmPerformance, error)
	// WithLimits says what other limits would have made of a room's last days.
	// It tells from time to time which share of the work is done.
	WithLimits(ctx context.Context, ask lookback.Question, progress func(share float64)) (*lookback.Answer, error)
}

// Desk makes the pages about alarms and takes their forms.
type Desk struct{ trials }

// New returns the pages about alarms; records are nil where they show the
// present only. Close it in the end.
func New(records Records) *Desk { return &Desk{trials{records: records}} }

// Pages are the pages.
func (d *Desk) Pages() []page.Page {
	return []page.Page{
		{Path: "/alarms", Sections: []page.Section{page.Live("alarms-all")}, Build: alarmsPage},
		{Path: "/alarms/history", Sections: []page.Section{page.Fixed("incident-history")}, Build: d.historyPage},
		{Path: "/alarms/incidents/{number}", Sections: []page.Section{page.Live("incident")}, Build: d.incidentPage},
		{Path: "/alarms/performance", Sections: []page.Section{page.Fixed("alarm-performance")}, Build: d.performancePage},
		d.tryAgain(),
	}
}

func (d *Desk) tryAgain() page.Page {
	return page.Page{Path: "/alarms/try", Sections: []page.Section{page.Live("alarm-trial"), page.Fixed("alarm-try")}, Build: d.tryPage}
}

type alarmsModel struct{ Alarms Lists }

func alarmsPage(v *page.View, _ *http.Request) (page.Content, error) {
	return page.Content{Title: "Alarms", Data: alarmsModel{All(v)}}, nil
}

// errNoRecords is shown where pages have no records behind them.
var errNoRecords = fmt.Errorf("the records are %w: this server shows the present only", snapshot.ErrUnknown)

type performanceModel struct {
	*lookback.AlarmPerformance
	Days int
	// Spans are those offered, in days.
	Spans []int
}

func (d *Desk) performancePage(_ *page.View, r *http.Request) (page.Content, error) {
	if d.records == nil {
		return page.Content{}, errNoRecords
	}
	m := performanceModel{Days: spanOf(r, daySpans, 30), Spans: daySpans}
	var err error
	if m.AlarmPerformance, err = d.records.Performance(r.Context(), m.Days); err != nil {
		return page.Content{}, err
	}
	return page.Content{Title: "How the alarms do", Data: m}, nil
}

// Actions are the forms on the cards of alarms and those of the trial of
// limits.
func (d *Desk) Actions() []page.Action {
	return []page.Action{
		{Path: "/alarms/try", Take: d.takeTry, Again: d.tryAgain()},
		{Path: "/alarms/try/stop", Take: d.takeStop},
		{Path: "/alarms/acknowledge", Take: order(alerts.Acknowledge, "acknowledged")},
		{Path: "/alarms/going", Take: order(alerts.Going, "going")},
		{Path: "/alarms/shelve", Take: order(alerts.Shelve, "shelved")},
		{Path: "/alarms/unshelve", Take: order(alerts.Unshelve, "unshelved")},
		{Path: "/alarms/out-of-service", Take: order(alerts.TakeOut, "out-of-service")},
		{Path: "/alarms/return", Take: order(alerts.Return, "returned")},
	}
}

func order(verb alerts.Verb, done string) func(*page.Form) (page.Outcome, error) {
	return func(f *page.Form) (page.Outcome, error) {
		o := fold.Order{Verb: verb, Key: key(f), Who: f.Text("who"), Reason: f.Text("reason")}
		if verb == alerts.Shelve {
			o.For = time.Duration(f.Whole("minutes")) * time.Minute
		}
		cmd, err := entry.Order(f.S, o)
		return page.Outcome{Command: cmd, Done: done, Back: f.Back()}, err
	}
}

func key(f *page.Form) alerts.Key {
	return alerts.Key{
		Condition: alerts.Condition(f.Text("condition")), Room: sensors.RoomID(f.Text("room")), Subject: f.Text("subject"),
	}
}
