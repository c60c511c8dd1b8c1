package web_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify/invite"
	"rearguard/daemon"
	"rearguard/daemon/fold"
	"rearguard/daemon/records/drills"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
	"rearguard/dashboards/web/answer"
)

// linkBook opens links with a real key.
type linkBook struct {
	key     *invite.Key
	tested  drills.Notice
	failure error
	arrived []string
}

func newLinkBook(t testing.TB) *linkBook {
	t.Helper()
	key, err := invite.NewKey(bytes.Repeat([]byte{7}, 32))
	if err != nil {
		t.Fatal(err)
	}
	return &linkBook{key: key, tested: drills.Notice{ID: 3, Person: "lead", Channel: "mail"}}
}

func (b *linkBook) Open(token string) (answer.Invited, error) {
	i, err := b.key.Open(token, []string{"lead", "keeper"}, dashtest.Now())
	return answer.Invited{Invitation: i, Name: map[string]string{"lead": "Ada Lead", "keeper": "Keeper <b>2</b>"}[i.Person]}, err
}

func (b *linkBook) Tested(_ context.Context, i answer.Invited) (drills.Notice, error) {
	if i.Number != b.tested.ID {
		return drills.Notice{}, drills.ErrUnknown
	}
	return b.tested, b.failure
}

func (b *linkBook) Arrived(_ context.Context, i answer.Invited) error {
	b.arrived = append(b.arrived, fmt.Sprint(i.Number, " ", i.Name))
	return b.failure
}

// heatLink is the link of the facility lead to the hot nursery of the sample.
func heatLink() invite.Invitation {
	return invite.Invitation{About: invite.Incident, Number: 41, Begin: dashtest.Now().Add(-9 * time.Minute), Person: "lead", Expires: dashtest.Now().Add(time.Hour)}
}

func (b *linkBook) link(i invite.Invitation, change ...func(*invite.Invitation)) string {
	for _, c := range change {
		c(&i)
	}
	return "/n/" + b.key.Token(i)
}

func answerSite(t *testing.T, f web.Facility, b answer.Links, log *slog.Logger) http.Handler {
	t.Helper()
	s, err := web.New(f, web.Options{Now: dashtest.Now, Wall: dashtest.Now, Links: b, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return web.Protect(s, testAccess())
}

func TestAnswerPageSaysWhatIsOn(t *testing.T) {
	b := newLinkBook(t)
	ended := func(s *snapshot.Snapshot) {
		s.Incidents[0].EndedAt, s.Incidents[0].QuietAt = dashtest.Now().Add(-time.Minute), dashtest.Now().Add(-21*time.Minute)
		s.Incidents[0].Members[0].ClearedAt = s.Incidents[0].QuietAt
		s.Incidents[0].TakenBy, s.Alarms = "Bo", s.Alarms[1:]
	}
	taken := func(s *snapshot.Snapshot) {
		s.Incidents[0].TakenBy, s.Incidents[0].TakenAt, s.Incidents[0].Going = "Bo", dashtest.Now().Add(-4*time.Minute), true
		s.Alarms[0].State, s.Alarms[0].Handling = alerts.Acknowledged, snapshot.Handling{AcknowledgedBy: "Bo", AcknowledgedAt: dashtest.Now().Add(-4 * time.Minute), Going: true}
	}
	mine := func(s *snapshot.Snapshot) {
		taken(s)
		s.Incidents[0].TakenBy, s.Alarms[0].AcknowledgedBy = "Ada Lead", "Ada Lead"
	}
	moved := func(s *snapshot.Snapshot) {
		s.Incidents[1].Members = append(s.Incidents[1].Members, s.Incidents[0].Members...)
		s.Incidents = s.Incidents[1:]
	}
	plain := func(*snapshot.Snapshot) {}
	for _, tt := range []struct {
		name   string
		state  func(*snapshot.Snapshot)
		path   string
		status int
		says   []string
		// buttons are the values of the buttons that there are.
		buttons []string
	}{
		{"on", plain, b.link(heatLink()), 200, []string{"Nursery is too hot", "34.2 °C", "32.0 °C", "on for 9 min", "31 min", "Nobody has it yet.", "First: Switch the heater off", "for Ada Lead alone"}, []string{"going", "have", "quiet"}},
		{"somebody is going", taken, b.link(heatLink()), 200, []string{"Bo is going since 11:22"}, []string{"going", "quiet"}},
		{"I am going", mine, b.link(heatLink()), 200, []string{"Ada Lead is going since 11:22"}, []string{"quiet"}},
		{"taken, with others", plain, b.link(heatLink(), func(i *invite.Invitation) { i.Number, i.Begin = 39, dashtest.Now().Add(-45*time.Minute) }), 200, []string{"Emergence room cannot be watched", "Ines has it since", "With it: Sensor emergence-door is silent"}, []string{"going", "quiet"}},
		{"over", ended, b.link(heatLink()), 200, []string{"This is over", "Nursery is too hot, from 11:17 to 11:25. Bo had it.", "See all alarms"}, nil},
		{"moved into another", moved, b.link(heatLink()), 200, []string{"Nursery is too hot"}, []string{"going", "quiet"}},
		{"other records", plain, b.link(heatLink(), func(i *invite.Invitation) { i.Begin = i.Begin.Add(-time.Hour) }), 200, []string{"ended some time ago"}, nil},
		{"not shown yet", plain, b.link(heatLink(), func(i *invite.Invitation) { i.Number, i.Begin = 99, dashtest.Now().Add(-59*time.Second) }), 200, []string{"One moment", "loads again by itself"}, nil},
		{"forgotten", plain, b.link(heatLink(), func(i *invite.Invitation) { i.Number = 7 }), 200, []string{"ended some time ago"}, nil},
		{"too old", plain, b.link(heatLink(), func(i *invite.Invitation) { i.Expires = dashtest.Now().Add(-time.Minute) }), 410, []string{"This link is too old.", "See all alarms"}, nil},
		{"of nobody", plain, b.link(heatLink(), func(i *invite.Invitation) { i.Person = "stranger" }), 404, []string{"no longer known here"}, nil},
		{"changed", plain, b.link(heatLink()) + "A", 404, []string{"not one that was sent from here"}, nil},
		{"hostile name", plain, b.link(heatLink(), func(i *invite.Invitation) { i.Person = "keeper" }), 200, []string{"for Keeper &lt;b&gt;2&lt;/b&gt; alone"}, []string{"going", "have", "quiet"}},
		{"test", plain, b.link(heatLink(), aboutTest(3)), 200, []string{"This was a test", "Nothing is wrong."}, []string{"arrived"}},
		{"forgotten test", plain, b.link(heatLink(), aboutTest(4)), 200, []string{"not in the records any more"}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := dashtest.Sample()
			tt.state(s)
			f := dashtest.New(s)
			h := answerSite(t, f, b, nil)
			w := get(h, tt.path)
			said := text(w.Body.String(), "<main", "</main>")
			if w.Code != tt.status {
				t.Errorf("status %d, want %d", w.Code, tt.status)
			}
			for _, want := range tt.says {
				if !strings.Contains(said, want) {
					t.Errorf("it lacks %q: %q", want, said)
				}
			}
			var buttons []string
			for _, do := range []string{"going", "have", "quiet", "arrived"} {
				if strings.Contains(w.Body.String(), `name="do" value="`+do+`"`) {
					buttons = append(buttons, do)
				}
			}
			if diff := cmp.Diff(tt.buttons, buttons); diff != "" {
				t.Errorf("buttons (-want +got):\n%s", diff)
			}
			for name, want := range map[string]string{
				"Referrer-Policy": "no-referrer", "Cache-Control": "no-store", "X-Robots-Tag": "noindex, nofollow, noarchive", "Set-Cookie": "",
			} {
				if got := w.Header().Get(name); got != want {
					t.Errorf("%s is %q, want %q", name, got, want)
				}
			}
			for _, no := range []string{"<script", "http://", "https://", "<b>2"} {
				if strings.Contains(w.Body.String(), no) {
					t.Errorf("the page has %q", no)
				}
			}
			if len(f.Commands()) > 0 || len(b.arrived) > 0 {
				t.Errorf("to look gave %v, %v", f.Commands(), b.arrived)
			}
		})
	}
}

func aboutTest(number int64) func(*invite.Invitation) {
	return func(i *invite.Invitation) { i.About, i.Number = invite.Test, number }
}

func TestAnswers(t *testing.T) {
	heat := alerts.Key{Condition: "heat", Room: "nursery"}
	b := newLinkBook(t)
	on, test := b.link(heatLink()), b.link(heatLink(), aboutTest(3))
	over := b.link(heatLink(), func(i *invite.Invitation) { i.Number = 7 })
	for _, tt := range []struct {
		name, path, form string
		refuse           error
		status           int
		// says is in the address that follows or on the page.
		says    string
		want    fold.Command
		arrived []string
	}{
		{"going", on, "do=going", nil, 303, "?done=answer-going", fold.Order{Verb: alerts.Going, Key: heat, Who: "Ada Lead", Incident: true}, nil},
		{"have", on, "do=have&who=Somebody+Else", nil, 303, "?done=answer-have", fold.Order{Verb: alerts.Acknowledge, Key: heat, Who: "Ada Lead", Incident: true}, nil},
		{"quiet", on, "do=quiet&minutes=240&reason=cleaning", nil, 303, "?done=answer-quiet", fold.Order{Verb: alerts.Shelve, Key: heat, Who: "Ada Lead", For: 4 * time.Hour, Reason: "cleaning"}, nil},
		{"quiet without a reason", on, "do=quiet&minutes=240", nil, 422, "Say why this alarm may be silent.", nil, nil},
		{"quiet for ever", on, "do=quiet&minutes=99999&reason=x", nil, 422, "Choose between 1 minute and 24 hours.", nil, nil},
		{"quiet for letters", on, "do=quiet&minutes=x&reason=x", nil, 422, "whole number", nil, nil},
		{"nothing", on, "", nil, 422, "does not say what to do", nil, nil},
		{"another verb", on, "do=out-of-service", nil, 422, "does not say what to do", nil, nil},
		{"a test that is an alarm", on, "do=arrived", nil, 422, "does not say what to do", nil, nil},
		{"refused", on, "do=have", fmt.Errorf("%w: Bo acknowledged it", fold.ErrRefused), 422, "Bo acknowledged it.", nil, nil},
		{"not recorded yet", on, "do=have", daemon.ErrNotRecorded, 303, "done=answer-have&late=yes", nil, nil},
		{"over", over, "do=have", nil, 422, "", nil, nil},
		{"arrived", test, "do=arrived", nil, 303, "?done=answer-arrived", nil, []string{"3 Ada Lead"}},
		{"an alarm that is a test", test, "do=have", nil, 422, "does not say what to do", nil, nil},
		{"changed", on + "A", "do=have", nil, 404, "not one that was sent from here", nil, nil},
		{"too old", b.link(heatLink(), func(i *invite.Invitation) { i.Expires = dashtest.Now() }), "do=have", nil, 410, "too old", nil, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := dashtest.New(dashtest.Sample())
			f.Refuse(tt.refuse)
			b.arrived = nil
			form, err := url.ParseQuery(tt.form)
			if err != nil {
				t.Fatal(err)
			}
			w := send(answerSite(t, f, b, nil), tt.path, form)
			said := w.Header().Get("Location") + text(w.Body.String(), "<main", "</main>")
			if w.Code != tt.status || !strings.Contains(said, tt.says) {
				t.Errorf("status %d, %q; want %d, %q", w.Code, said, tt.status, tt.says)
			}
			var want []fold.Command
			if tt.want != nil {
				want = []fold.Command{tt.want}
			}
			if diff := cmp.Diff(want, f.Commands()); diff != "" {
				t.Errorf("commands (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tt.arrived, b.arrived); diff != "" {
				t.Errorf("arrived (-want +got):\n%s", diff)
			}
			if w.Header().Get("Referrer-Policy") != "no-referrer" {
				t.Error("what follows may learn the link")
			}
		})
	}
}

// A second tap on the same button does nothing twice.
func TestAnswerIsGivenOnce(t *testing.T) {
	b, f := newLinkBook(t), dashtest.New(dashtest.Sample())
	h := answerSite(t, f, b, nil)
	for range 2 {
		if w := send(h, b.link(heatLink()), url.Values{"do": {"going"}, "once": {"T"}}); w.Code != http.StatusSeeOther {
			t.Errorf("status %d", w.Code)
		}
	}
	if n := len(f.Commands()); n != 1 {
		t.Errorf("%d commands", n)
	}
}

// Whoever sends the form, only the page itself or a browser that hides whence it
// comes is let in.
func TestWhoMaySendAnAnswer(t *testing.T) {
	b := newLinkBook(t)
	for name, tt := range map[string]struct {
		headers map[string]string
		status  int
	}{
		"the page itself":                       {map[string]string{"Sec-Fetch-Site": "same-origin", "Origin": "null"}, 303},
		"the page itself, by an old browser":    {map[string]string{"Origin": "null"}, 303},
		"the page itself, by a wordy browser":   {map[string]string{"Origin": "http://example.com"}, 303},
		"another site":                          {map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "https://evil.example"}, 403},
		"another site that hides its name":      {map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "null"}, 403},
		"another site, by an old browser":       {map[string]string{"Origin": "https://evil.example"}, 403},
		"a program that says nothing of itself": {nil, 403},
	} {
		f := dashtest.New(dashtest.Sample())
		w := send(answerSite(t, f, b, nil), b.link(heatLink()), url.Values{"do": {"going"}}, func(r *http.Request) {
			r.Header.Del("Sec-Fetch-Site")
			for header, value := range tt.headers {
				r.Header.Set(header, value)
			}
		})
		if w.Code != tt.status || (len(f.Commands()) == 1) != (tt.status == 303) {
			t.Errorf("%s: status %d, %v", name, w.Code, f.Commands())
		}
	}
	// Elsewhere nobody who hides is let in.
	f := dashtest.New(dashtest.Sample())
	w := send(answerSite(t, f, b, nil), "/alarms/acknowledge", url.Values{"condition": {"heat"}, "room": {"nursery"}, "who": {"Ines"}}, func(r *http.Request) {
		r.Header.Del("Sec-Fetch-Site")
		r.Header.Set("Origin", "null")
	})
	if w.Code != http.StatusForbidden || len(f.Commands()) > 0 {
		t.Errorf("without a link: status %d, %v", w.Code, f.Commands())
	}
}

// Guesses cost little after a while, and never keep out who has a link.
func TestGuessedLinks(t *testing.T) {
	b := newLinkBook(t)
	h := answerSite(t, dashtest.New(dashtest.Sample()), b, nil)
	var codes []int
	for k := range 40 {
		w := get(h, fmt.Sprintf("/n/guess-%d", k))
		codes = append(codes, w.Code)
		if w.Code == http.StatusTooManyRequests && w.Header().Get("Retry-After") == "" {
			t.Error("it does not say when to come back")
		}
	}
	if first := slices.Index(codes, http.StatusTooManyRequests); first != 30 || codes[39] != http.StatusTooManyRequests {
		t.Errorf("codes %v", codes)
	}
	if w := get(h, b.link(heatLink())); w.Code != http.StatusOK {
		t.Errorf("a good link: status %d", w.Code)
	}
	if w := get(answerSite(t, dashtest.New(dashtest.Sample()), nil, nil), b.link(heatLink())); w.Code != http.StatusNotFound {
		t.Errorf("where there are no links: status %d", w.Code)
	}
}

// What goes wrong is logged without the link.
func TestLogsDoNotTellLinks(t *testing.T) {
	var log bytes.Buffer
	b := newLinkBook(t)
	b.failure = errors.New("the disk is gone")
	h := answerSite(t, dashtest.New(dashtest.Sample()), b, slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})))
	path := b.link(heatLink(), aboutTest(3))
	if w := get(h, path); w.Code != http.StatusInternalServerError {
		t.Errorf("status %d", w.Code)
	}
	r := httptest.NewRequest(http.MethodGet, b.link(heatLink()), http.NoBody)
	h.ServeHTTP(deafWriter{httptest.NewRecorder()}, r)
	if !strings.Contains(log.String(), "the disk is gone") || !strings.Contains(log.String(), "page not delivered") {
		t.Errorf("the log lacks what went wrong: %s", log.String())
	}
	for _, link := range []string{path, b.link(heatLink())} {
		if strings.Contains(log.String(), strings.TrimPrefix(link, "/n/")) {
			t.Errorf("the log tells a link: %s", log.String())
		}
	}
}

// deafWriter is a visitor who has gone.
type deafWriter struct{ http.ResponseWriter }

func (deafWriter) Write([]byte) (int, error) { return 0, errors.New("gone") }
