package web_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/performance"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/population"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
)

// madeUpPast answers with a past made up for the pages, and keeps what it was
// asked. The answers themselves are tested where they are worked out.
type madeUpPast struct{ asked lookback.Question }

func (d *madeUpPast) Performance(_ context.Context, days int) (*lookback.AlarmPerformance, error) {
	if days == 365 {
		return nil, errors.New("the disk is gone")
	}
	p := &lookback.AlarmPerformance{From: dashtest.Now().AddDate(0, 0, -days), To: dashtest.Now(), Location: time.UTC}
	p.Calls, p.PeakTenMinutes = 41, 12
	p.Top = []performance.KeyCount{{Key: alerts.Key{Condition: "heat", Room: "nursery"}, Count: 30}}
	return p, nil
}

func (d *madeUpPast) WithLimits(_ context.Context, ask lookback.Question) (*lookback.Answer, error) {
	d.asked = ask
	over := dashtest.Now().Add(-time.Hour)
	return &lookback.Answer{
		From: dashtest.Now().AddDate(0, 0, -ask.Days), To: dashtest.Now(),
		Happened: []lookback.Episode{{Condition: "heat", Room: ask.Room, Raised: over.Add(-time.Hour), Cleared: &over, Called: true}},
		Would:    []lookback.Episode{{Condition: "drying", Room: ask.Room, Raised: over, Called: true}},
		Losses:   []population.Count{{Cohort: "dp-0412", Stage: "pupa", Lost: 7, Cause: "<b>dry</b>", Time: over}},
	}, nil
}

func TestAlarmHistoryPages(t *testing.T) {
	past := &madeUpPast{}
	site, err := web.New(dashtest.New(dashtest.Sample()), web.Options{Now: dashtest.Now, Wall: dashtest.Now, Alarms: past})
	if err != nil {
		t.Fatal(err)
	}
	get := func(path string) (int, string) {
		w := httptest.NewRecorder()
		site.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, http.NoBody))
		return w.Code, w.Body.String()
	}
	for path, want := range map[string][]string{
		"/alarms":                     {"/alarms/performance", "/alarms/try", "Take out of service"},
		"/alarms/performance":         {"How the alarms do", "41", `flag-bad">12<`, "at most 10", "heat, nursery", "30 calls"},
		"/alarms/performance?days=7":  {"How the alarms do"},
		"/alarms/performance?days=-3": {"How the alarms do"},
		"/alarms/try":                 {"Try limits on the past", `name="heat"`},
		"/alarms/try?room=nursery&days=5&heat=31.5": {
			"1 alarm happened, 1 with these limits", "none", "7 of dp-0412", "&lt;b&gt;dry&lt;/b&gt;",
		},
		"/alarms/try?room=nursery&days=5&heat=abc":  {"enter a number from -20 to 60"},
		"/alarms/try?room=nursery&days=five&heat=3": {"whole number"},
	} {
		code, body := get(path)
		for _, text := range want {
			if code != http.StatusOK || !strings.Contains(strings.ReplaceAll(body, "Enter", "enter"), text) && !strings.Contains(body, text) {
				t.Errorf("%s: status %d without %q", path, code, text)
			}
		}
	}
	if past.asked.Room != "nursery" || past.asked.Days != 5 || past.asked.Limits.HeatCelsius == nil || *past.asked.Limits.HeatCelsius != 31.5 {
		t.Errorf("asked for %+v", past.asked)
	}
	if code, _ := get("/alarms/performance?days=365"); code == http.StatusOK {
		t.Error("a failure of the records is shown as a good page")
	}
	bare, err := web.New(dashtest.New(dashtest.Sample()), web.Options{Now: dashtest.Now, Wall: dashtest.Now})
	if err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	bare.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/alarms/try", http.NoBody))
	if w.Code != http.StatusNotFound {
		t.Errorf("without records: status %d", w.Code)
	}
}
