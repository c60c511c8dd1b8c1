package web_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
	"rearguard/alerts/performance"
	"rearguard/daemon/lookback"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
)

// madeUpPast answers with a past made up for the pages, and keeps what it was
// asked. The answers themselves are tested where they are worked out.
type madeUpPast struct {
	asked lookback.Question
	// working is told of each question, and hold holds back its answer until it
	// is closed; nil answers at once.
	working chan struct{}
	hold    chan struct{}
}

func (d *madeUpPast) Performance(ctx context.Context, days int) (*lookback.AlarmPerformance, error) {
	switch days {
	case 365:
		return nil, errors.New("the disk is gone")
	case 90:
		<-ctx.Done()
		return nil, fmt.Errorf("read the journal: %w", ctx.Err())
	}
	p := &lookback.AlarmPerformance{From: dashtest.Now().AddDate(0, 0, -days), To: dashtest.Now(), Location: time.UTC}
	p.Calls, p.PeakTenMinutes = 41, 12
	p.Top = []performance.KeyCount{{Key: alerts.Key{Condition: "heat", Room: "nursery"}, Count: 30}}
	return p, nil
}

func (d *madeUpPast) WithLimits(ctx context.Context, ask lookback.Question, progress func(float64)) (*lookback.Answer, error) {
	d.asked = ask
	progress(0.42)
	if d.hold != nil {
		d.working <- struct{}{}
		select {
		case <-d.hold:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	over := dashtest.Now().Add(-time.Hour)
	return &lookback.Answer{
		From: dashtest.Now().AddDate(0, 0, -ask.Days), To: dashtest.Now(),
		Happened: []lookback.Episode{{Condition: "heat", Room: ask.Room, Raised: over.Add(-time.Hour), Cleared: &over, Called: true}},
		Would:    []lookback.Episode{{Condition: "drying", Room: ask.Room, Raised: over, Called: true}},
		Losses:   []population.Count{{Cohort: "dp-0412", Stage: "pupa", Lost: 7, Cause: "<b>dry</b>", Time: over}},
	}, nil
}

// over is an incident that has ended: dry air, which a cause explained.
func over() snapshot.Incident {
	began := dashtest.Now().Add(-5 * time.Hour)
	i := incidents.Incident{
		Number: 17, Room: "nursery", Theme: "air", BeganAt: began, QuietAt: began.Add(90 * time.Minute), EndedAt: began.Add(110 * time.Minute),
		Calls: 2, Told: []alerts.Priority{alerts.Medium}, TakenBy: "Ines", TakenAt: began.Add(10 * time.Minute),
		Members: []incidents.Member{
			{Key: alerts.Key{Condition: "drying", Room: "nursery"}, Occurrence: 17, Priority: alerts.Medium, RaisedAt: began, ClearedAt: began.Add(90 * time.Minute),
				Peak: incidents.Peak{At: began, Value: 1.91, Limit: 1.4, Unit: "kPa"}, Dose: 0.42},
			{Key: alerts.Key{Condition: "since_taken_out", Room: "nursery"}, Occurrence: 18, Priority: alerts.Low, RaisedAt: began, ClearedAt: began.Add(time.Hour)},
		},
	}
	return snapshot.IncidentOf(i, func(c alerts.Condition) alerts.Definition {
		if c != "drying" {
			return alerts.Definition{}
		}
		return alerts.Definition{Title: "air too dry", Consequence: "Eggs shrivel.", Severity: alerts.Major, TimeToRespond: time.Hour}
	})
}

func (d *madeUpPast) Incidents(_ context.Context, days int) ([]snapshot.Incident, error) {
	if days == 7 {
		return nil, nil
	}
	return []snapshot.Incident{over()}, nil
}

func (d *madeUpPast) Incident(_ context.Context, number int64) (*snapshot.Incident, error) {
	if number != 17 {
		return nil, nil
	}
	i := over()
	return &i, nil
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
		"/alarms":                                   {"/alarms/performance", "/alarms/try", "Take out of service"},
		"/alarms/performance":                       {"How the alarms do", "41", `flag-bad">12<`, "at most 10", "heat, nursery", "30 calls"},
		"/alarms/performance?days=7":                {"How the alarms do"},
		"/alarms/performance?days=-3":               {"How the alarms do"},
		"/alarms/history":                           {"What happened", "/alarms/incidents/17", "Nursery: air too dry", "1.91", "0.42", "kPa·h", "1 h 30 min", "Ines"},
		"/alarms/history?days=7":                    {"Nothing has ended in the last 7 days"},
		"/alarms/incidents/17":                      {"Nursery: air too dry", "Back to normal", "Eggs shrivel.", "since taken out", "2 times", "0.42"},
		"/alarms/incidents/41":                      {"Nursery is too hot", "Switch the heater off", "still on", "Acknowledge", "34.2"},
		"/alarms/try":                               {"Try limits on the past", `name="heat"`},
		"/alarms/try?room=nursery&days=5&heat=31.5": {`value="31.5"`},
	} {
		code, body := get(path)
		for _, text := range want {
			if code != http.StatusOK || !strings.Contains(strings.ReplaceAll(body, "Enter", "enter"), text) && !strings.Contains(body, text) {
				t.Errorf("%s: status %d without %q", path, code, text)
			}
		}
	}
	if past.asked.Room != "" {
		t.Errorf("a page that was only opened asked for %+v", past.asked)
	}
	if code, _ := get("/alarms/performance?days=365"); code == http.StatusOK {
		t.Error("a failure of the records is shown as a good page")
	}
	for _, path := range []string{"/alarms/incidents/18", "/alarms/incidents/-1", "/alarms/incidents/x", "/alarms/incidents/99999999999999999999"} {
		if code, _ := get(path); code != http.StatusNotFound {
			t.Errorf("%s: status %d", path, code)
		}
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

// Limits are tried on the past by a form that is sent, one question at a time;
// the page says how far it has come, and it can be stopped.
func TestTryingLimits(t *testing.T) {
	past := &madeUpPast{working: make(chan struct{}), hold: make(chan struct{})}
	site, err := web.New(dashtest.New(dashtest.Sample()), web.Options{Now: dashtest.Now, Wall: dashtest.Now, Alarms: past})
	if err != nil {
		t.Fatal(err)
	}
	defer site.Close()
	shows := func(w *httptest.ResponseRecorder, status int, texts ...string) {
		t.Helper()
		for _, text := range texts {
			if w.Code != status || !strings.Contains(w.Body.String(), text) {
				t.Errorf("status %d without %q", w.Code, text)
			}
		}
	}
	try := func(room, days, heat string) *httptest.ResponseRecorder {
		return send(site, "/alarms/try", url.Values{"room": {room}, "days": {days}, "heat": {heat}})
	}
	shows(try("nursery", "5", "abc"), 422, "nter a number from -20 to 60")
	shows(try("nursery", "five", "3"), 422, "whole number")
	shows(try("nursery", "401", "3"), 422, "ask for 1 to 400")
	shows(try("none", "5", "3"), 422, "Choose a room")

	shows(try("nursery", "5", "31.5"), http.StatusSeeOther, "")
	<-past.working
	shows(get(site, "/alarms/try"), 200, "42 % done", `http-equiv="refresh" content="3"`, "/alarms/try/stop", `value="31.5"`)
	shows(try("nursery", "6", "30"), 422, "are being tried on 5 days already", `value="30"`)
	close(past.hold)
	deadline := time.Now().Add(10 * time.Second)
	for strings.Contains(get(site, "/alarms/try").Body.String(), "% done") && time.Now().Before(deadline) {
		<-time.After(time.Millisecond)
	}
	shows(get(site, "/alarms/try"), 200, "1 alarm happened, 1 with the limits below", "none", "7 of dp-0412", "&lt;b&gt;dry&lt;/b&gt;")
	if past.asked.Room != "nursery" || past.asked.Days != 5 || past.asked.Limits.HeatCelsius == nil || *past.asked.Limits.HeatCelsius != 31.5 {
		t.Errorf("asked for %+v", past.asked)
	}

	past.hold = make(chan struct{})
	shows(try("nursery", "8", "29"), http.StatusSeeOther, "")
	<-past.working
	shows(send(site, "/alarms/try/stop", nil), http.StatusSeeOther, "")
	shows(get(site, "/alarms/try"), 200, "stopped before it was done")
}

// A page whose history cannot be read in time says so instead of waiting.
func TestBusyHistory(t *testing.T) {
	site, err := web.New(dashtest.New(dashtest.Sample()), web.Options{
		Now: dashtest.Now, Wall: dashtest.Now, Alarms: &madeUpPast{}, Patience: time.Millisecond,
	})
	if err != nil {
		t.Fatal(err)
	}
	w := get(site, "/alarms/performance?days=90")
	if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "try again in a minute") || w.Header().Get("Retry-After") == "" {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
}
