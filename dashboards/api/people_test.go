package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/records/drills"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/api"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web/people"
)

// crowd is what stands behind the operations on people.
type crowd struct {
	failure error
	asked   []string
}

func (*crowd) People() []people.Person {
	return []people.Person{{ID: "lead", Name: "Ada Lead", Ways: []people.Way{{Channel: "mail", Priorities: []alerts.Priority{alerts.High}}}}, {ID: "vet", Name: "Vet"}}
}

func (*crowd) Trials(context.Context, int) (people.Trials, error) {
	began := dashtest.Now().Add(-time.Hour)
	return people.Trials{Problem: "Keeper did not answer", Next: dashtest.Now().Add(time.Hour), List: []drills.Drill{
		{ID: 2, Who: "Ines", Began: began, Notices: []drills.Notice{{ID: 4, Person: "lead", Channel: "mail", Failure: "no route", GivenUp: true}}},
		{ID: 1, Whole: true, Period: "2026-05", Began: began, Notices: []drills.Notice{
			{ID: 1, Person: "lead", Channel: "mail", TakenAt: began.Add(time.Second), ArrivedAt: began.Add(90 * time.Second), ArrivedBy: "Ada Lead"},
		}},
	}}, nil
}

func (c *crowd) ask(format string, args ...any) error {
	c.asked = append(c.asked, fmt.Sprintf(format, args...))
	return c.failure
}

func (c *crowd) Test(_ context.Context, person, channel, who string) error {
	return c.ask("test %s by %q for %s", person, channel, who)
}

func (c *crowd) Drill(_ context.Context, who string) error { return c.ask("drill for %s", who) }

func (c *crowd) Arrived(context.Context, int64, string) error { return nil }

func peopleHandler(t *testing.T, c people.People) http.Handler {
	t.Helper()
	h, err := api.New(dashtest.New(dashtest.Sample()), "1.2.3", c)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func TestPeopleAndDrillsAsJSON(t *testing.T) {
	h := peopleHandler(t, &crowd{})
	for path, want := range map[string]string{
		"/people": `[{"id":"lead","name":"Ada Lead","channels":[{"channel":"mail","priorities":["high"]}]},{"id":"vet","name":"Vet","channels":[]}]`,
		"/drills": `{"next":"2026-05-14T10:26:40Z","problem":"Keeper did not answer","drills":[
			{"id":2,"kind":"test","began":"2026-05-14T08:26:40Z","who":"Ines","without_answer":["lead"],"notices":[{"number":4,"person":"lead","channel":"mail","failure":"no route","given_up":true}]},
			{"id":1,"kind":"drill","began":"2026-05-14T08:26:40Z","period":"2026-05","without_answer":[],"notices":[{"number":1,"person":"lead","channel":"mail","taken":"2026-05-14T08:26:41Z","arrived":"2026-05-14T08:28:10Z","arrived_by":"Ada Lead","arrived_after_seconds":90}]}]}`,
	} {
		w := call(h, http.MethodGet, "/api/v1"+path, "")
		var got, expected any
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(want), &expected); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(expected, got); diff != "" || w.Code != http.StatusOK {
			t.Errorf("%s: status %d (-want +got):\n%s", path, w.Code, diff)
		}
	}
}

func TestPeopleAreAsked(t *testing.T) {
	for _, tt := range []struct {
		path, body string
		fails      error
		status     int
		asked      []string
	}{
		{"/people/lead/test", `{"who":" Ines ","channel":"mail"}`, nil, 200, []string{`test lead by "mail" for Ines`}},
		{"/people/lead/test", `{"who":"Ines"}`, nil, 200, []string{`test lead by "" for Ines`}},
		{"/people/nobody/test", `{"who":"Ines"}`, fmt.Errorf("person is %w", snapshot.ErrUnknown), 404, []string{`test nobody by "" for Ines`}},
		{"/people/lead/test", `{"channel":"mail"}`, nil, 422, nil},
		{"/people/lead/test", `{"who":"Ines","priority":"high"}`, nil, 400, nil},
		{"/drills", `{"who":"Ines"}`, nil, 200, []string{"drill for Ines"}},
		{"/drills", `{"who":"Ines"}`, fmt.Errorf("%w: %w", fold.ErrRefused, drills.ErrSoon), 422, []string{"drill for Ines"}},
		{"/drills", `{}`, nil, 422, nil},
	} {
		c := &crowd{failure: tt.fails}
		w := call(peopleHandler(t, c), http.MethodPost, "/api/v1"+tt.path, tt.body)
		if w.Code != tt.status {
			t.Errorf("%s %s: status %d, %s", tt.path, tt.body, w.Code, w.Body)
		}
		if diff := cmp.Diff(tt.asked, c.asked); diff != "" {
			t.Errorf("%s %s asked (-want +got):\n%s", tt.path, tt.body, diff)
		}
	}
	// A server without people says so.
	h := peopleHandler(t, nil)
	if w := call(h, http.MethodPost, "/api/v1/drills", `{"who":"Ines"}`); w.Code != http.StatusNotFound {
		t.Errorf("without people: status %d, %s", w.Code, w.Body)
	}
	if w := call(h, http.MethodGet, "/api/v1/people", ""); w.Code != http.StatusOK || w.Body.String() != "[]\n" {
		t.Errorf("without people: status %d, %s", w.Code, w.Body)
	}
}
