package web_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/daemon/records/drills"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
	"rearguard/dashboards/web/people"
)

// crowd is what stands behind the page: it says what it was told to and remembers
// what it was asked.
type crowd struct {
	people  []people.Person
	trials  people.Trials
	failure error
	asked   []string
}

func (c *crowd) People() []people.Person { return c.people }

func (c *crowd) Trials(context.Context, int) (people.Trials, error) { return c.trials, nil }

func (c *crowd) ask(format string, args ...any) error {
	c.asked = append(c.asked, fmt.Sprintf(format, args...))
	return c.failure
}

func (c *crowd) Test(_ context.Context, person, channel, who string) error {
	return c.ask("test %s by %q for %s", person, channel, who)
}

func (c *crowd) Drill(_ context.Context, who string) error { return c.ask("drill for %s", who) }

func (c *crowd) Arrived(_ context.Context, number int64, who string) error {
	return c.ask("%d arrived, says %s", number, who)
}

// sampleCrowd has notices in every state there is.
func sampleCrowd() *crowd {
	now, long := dashtest.Now(), strings.Repeat("w", 40)
	all := []alerts.Priority{alerts.Critical, alerts.High, alerts.Medium}
	month, week := now.AddDate(0, -1, -3), now.AddDate(0, 0, -3)
	return &crowd{
		people: []people.Person{
			{ID: "lead", Name: "Ada Lead", Ways: []people.Way{{Channel: "phone", Priorities: all[:2]}, {Channel: "mail", Priorities: all}}},
			{ID: "keeper", Name: "Keeper <b>2</b>", Ways: []people.Way{{Channel: "mail", Priorities: all}}},
			{ID: "vet", Name: "Vet " + long},
		},
		trials: people.Trials{
			Next: now.AddDate(0, 0, 18), Problem: "Keeper did not answer the drill of 11 April 2026: ask whether it arrived, and send a test",
			List: []drills.Drill{
				{ID: 3, Whole: true, Who: "Ines", Began: now.Add(-20 * time.Minute), Notices: []drills.Notice{
					{ID: 6, Person: "lead", Channel: "phone", TakenAt: now.Add(-20*time.Minute + 2*time.Second), ArrivedAt: now.Add(-16 * time.Minute), ArrivedBy: "Ada Lead"},
					{ID: 7, Person: "lead", Channel: "mail", TakenAt: now.Add(-20*time.Minute + 3*time.Second)},
					{ID: 8, Person: "keeper", Channel: "mail", Failure: "connect to mail server mail.example.org: dial tcp: i/o timeout"},
				}},
				{ID: 2, Who: "<script>alert(1)</script>", Began: week, Notices: []drills.Notice{
					{ID: 5, Person: "left", Channel: long, Failure: "no e-mail address of left is configured", GivenUp: true},
				}},
				{ID: 1, Whole: true, Period: "2026-04", Began: month, Notices: []drills.Notice{
					{ID: 1, Person: "lead", Channel: "phone", TakenAt: month.Add(time.Second), ArrivedAt: month.Add(70 * time.Second), ArrivedBy: "Ada Lead"},
					{ID: 2, Person: "lead", Channel: "mail", TakenAt: month.Add(4 * time.Second), ArrivedAt: month.Add(3 * time.Hour), ArrivedBy: "Ines"},
					{ID: 3, Person: "keeper", Channel: "mail", TakenAt: month.Add(4 * time.Second)},
				}},
			},
		},
	}
}

func peopleSite(t *testing.T, c people.People) http.Handler {
	t.Helper()
	s, err := web.New(dashtest.New(dashtest.Sample()), web.Options{Now: dashtest.Now, Wall: dashtest.Now, People: c})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return web.Protect(s, testAccess())
}

func TestPeoplePageSaysWhoIsReached(t *testing.T) {
	body := get(peopleSite(t, sampleCrowd()), "/people").Body.String()
	ways, trials := text(body, `<section id="part-people-ways"`, "</section>"), text(body, `<section id="part-people-trials"`, "</section>")
	for _, want := range []string{
		"Ada Lead phone: high, critical a test arrived 16 min ago mail: medium, high, critical a test arrived", "Keeper &lt;b&gt;2&lt;/b&gt; mail: medium, high, critical no test arrived yet",
		"Not on the roster: is told of nothing.",
	} {
		if !strings.Contains(ways, want) {
			t.Errorf("the list lacks %q: %q", want, ways)
		}
	}
	for _, want := range []string{
		"Keeper did not answer the drill of 11 April 2026", "The next drill starts by itself Mon 1 Jun 2026, 11:26.",
		"Drill Thu 14 May, 11:06, by Ines No answer yet: Keeper &lt;b&gt;2&lt;/b&gt;", "Ada Lead, phone after 2 s after 4 min", "Ada Lead, mail after 3 s no answer yet",
		"not yet : connect to mail server mail.example.org", "left, " + strings.Repeat("w", 40) + " no : no e-mail address",
		"by the schedule did not answer Keeper", "after 3 h, says Ines", "no answer",
	} {
		if !strings.Contains(trials, want) {
			t.Errorf("the trials lack %q: %q", want, trials)
		}
	}
	for _, no := range []string{"<script>alert", "<b>2"} {
		if strings.Contains(body, no) {
			t.Errorf("a name is taken for markup: %s", no)
		}
	}
	if !strings.Contains(body, `<option value="lead mail">Ada Lead, mail</option>`) || strings.Contains(body, `value="vet"`) {
		t.Error("the choice of tests is not that of the roster")
	}
	// Who says that something arrived must have a name.
	if strings.Contains(body, "/people/arrived") {
		t.Error("somebody without a name can say that it arrived")
	}
}

func TestNobodyCanBeTold(t *testing.T) {
	for name, c := range map[string]people.People{"no records": nil, "nobody": &crowd{}} {
		h := peopleSite(t, c)
		if body := get(h, "/people").Body.String(); !strings.Contains(body, "Nobody can be told yet") || strings.Contains(body, "<form") {
			t.Errorf("%s: %q", name, text(body, "<main", "</main>"))
		}
	}
	for path, form := range map[string]url.Values{"/people/test": {"who": {"Ines"}, "to": {"lead"}}, "/people/drill": {"who": {"Ines"}}, "/people/arrived": {"who": {"Ines"}, "number": {"1"}}} {
		if w := send(peopleSite(t, nil), path, form); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "Nobody can be told from here.") {
			t.Errorf("%s: status %d", path, w.Code)
		}
	}
}

func TestFormsOfPeople(t *testing.T) {
	for _, tt := range []struct {
		path, form string
		fails      error
		status     int
		says       string
		asked      []string
	}{
		{"/people/test", "who=Ines&to=lead+mail", nil, 303, "/people?done=people-test", []string{`test lead by "mail" for Ines`}},
		{"/people/test", "who=Ines&to=lead", nil, 303, "/people?done=people-test", []string{`test lead by "" for Ines`}},
		{"/people/test", "who=Ines&to=", nil, 422, "Choose whom to send a test.", nil},
		{"/people/test", "to=lead", nil, 422, "Enter your name", nil},
		{"/people/test", "who=Ines&to=lead", drills.ErrSoon, 422, "Give people a few minutes", []string{`test lead by "" for Ines`}},
		{"/people/drill", "who=Ines&to=", nil, 303, "/people?done=people-drill", []string{"drill for Ines"}},
		{"/people/drill", "who=", nil, 422, "Enter your name", nil},
		{"/people/drill", "who=Ines", errors.New("the disk is full"), 422, "The disk is full.", []string{"drill for Ines"}},
		{"/people/arrived", "who=Ines&number=7", nil, 303, "/people?done=people-arrived", []string{"7 arrived, says Ines"}},
		{"/people/arrived", "who=Ines&number=x", nil, 422, "not in the records any more", nil},
	} {
		c := sampleCrowd()
		c.failure = tt.fails
		form, err := url.ParseQuery(tt.form)
		if err != nil {
			t.Fatal(err)
		}
		w := send(peopleSite(t, c), tt.path, form)
		said := w.Header().Get("Location") + text(w.Body.String(), `<main`, "</main>")
		if !strings.Contains(strings.ToLower(said), strings.ToLower(tt.says)) || w.Code != tt.status {
			t.Errorf("%s %s: status %d, %q; want %d, %q", tt.path, tt.form, w.Code, said, tt.status, tt.says)
		}
		if diff := cmp.Diff(tt.asked, c.asked); diff != "" {
			t.Errorf("%s %s asked (-want +got):\n%s", tt.path, tt.form, diff)
		}
	}
}
