package web_test

import (
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
)

// site returns the pages whose wall clock stands at the engine's time plus
// ahead.
func site(t *testing.T, f web.Facility, ahead time.Duration) http.Handler {
	t.Helper()
	s, err := web.New(f, web.Options{Now: func() time.Time { return dashtest.Now().Add(ahead) }, Wall: dashtest.Now})
	if err != nil {
		t.Fatal(err)
	}
	return web.Protect(s, testAccess())
}

// testAccess knows the name by which httptest calls.
func testAccess() web.Access { return web.Access{Hosts: []string{"example.com"}} }

func get(h http.Handler, path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, http.NoBody))
	return w
}

func send(h http.Handler, path string, form url.Values, with ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	for _, change := range with {
		change(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestEveryPageOfEveryFacility(t *testing.T) {
	for name, s := range map[string]*snapshot.Snapshot{"sample": dashtest.Sample(), "ugly": dashtest.Ugly(), "empty": dashtest.Empty()} {
		h := site(t, dashtest.New(s), 0)
		paths := []string{"/", "/alarms", "/cohorts/new", "/messages", "/who"}
		for _, r := range s.Rooms {
			paths = append(paths, "/rooms/"+url.PathEscape(string(r.ID)))
		}
		for _, v := range s.Sensors {
			paths = append(paths, "/sensors/"+url.PathEscape(string(v.ID)))
		}
		for _, c := range s.Cohorts {
			paths = append(paths, "/cohorts/"+url.PathEscape(string(c.ID)))
		}
		for _, path := range paths {
			w := get(h, path)
			body := w.Body.String()
			if w.Code != http.StatusOK || !strings.HasSuffix(strings.TrimSpace(body), "</html>") {
				t.Errorf("%s %s: status %d", name, path, w.Code)
			}
			for _, bad := range []string{"<img src=x", "<script>alert", "<b>2</b>", "<no value>", "%!", "NaN", "ZgotmplZ", " style=", "onclick="} {
				if strings.Contains(body, bad) {
					t.Errorf("%s %s contains %q", name, path, bad)
				}
			}
			for _, m := range regexp.MustCompile(`(?:src|href|action)="(https?:)?//`).FindAllString(body, -1) {
				t.Errorf("%s %s refers to another host: %s", name, path, m)
			}
		}
	}
}

// text returns the words of a page between the marks, without tags.
func text(body, from, to string) string {
	_, rest, _ := strings.Cut(body, from)
	part, _, _ := strings.Cut(rest, to)
	return strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(part, " ")), " ")
}

func TestBlindRoomHasNoNumber(t *testing.T) {
	s := dashtest.Sample()
	// An engine that left the old air in place must not get it shown.
	s.Rooms[0].Blind = true
	body := get(site(t, dashtest.New(s), 0), "/").Body.String()
	card := text(body, `data-key="r|nursery"`, "</article>")
	if !strings.Contains(card, "Blind") || !strings.Contains(card, "Last usable reading") {
		t.Errorf("card says %q", card)
	}
	if regexp.MustCompile(`°C|kPa|\d\s*%`).MatchString(card) {
		t.Errorf("the blind room still has numbers: %q", card)
	}
}

func TestOverviewSaysWhatMatters(t *testing.T) {
	body := get(site(t, dashtest.New(dashtest.Sample()), 0), "/").Body.String()
	alarm := text(body, `data-key="a|heat|nursery|"`, "</article>")
	for _, want := range []string{"critical", "waiting for somebody", "Nursery is too hot", "34.2 °C", "32.0 °C", "9 min", "31 min", "dp-0412", "Switch the heater off", "Acknowledge"} {
		if !strings.Contains(alarm, want) {
			t.Errorf("alarm lacks %q: %q", want, alarm)
		}
	}
	if cohort := text(body, `data-key="c|hm-31"`, "</article>"); !strings.Contains(cohort, "assumed constants") || !strings.Contains(cohort, "30 % of thermal time estimated") || !strings.Contains(cohort, "80 % between") {
		t.Errorf("cohort says %q", cohort)
	}
	if room := text(body, `data-key="r|glasshouse"`, "</article>"); !strings.Contains(room, "One sensor") || !strings.Contains(room, "40 s ago") {
		t.Errorf("room says %q", room)
	}
	if sensor := text(body, `data-key="s|emergence-door"`, "</tr>"); !strings.Contains(sensor, "silent") || !strings.Contains(sensor, "47 min ago") {
		t.Errorf("sensor says %q", sensor)
	}
	if !strings.Contains(body, "Invented data.") {
		t.Error("the demo's data is not marked as invented")
	}
	// The silent sensor is of one incident with the blind room.
	if strings.Contains(body, `data-key="a|sensor_silent|emergence|emergence-door"`) || !strings.Contains(body, "1 more alarm belongs to this") {
		t.Error("the consequence is not folded under its root")
	}
}

func TestStalledEngineShows(t *testing.T) {
	live := dashtest.Sample()
	live.Invented = false
	for _, tt := range []struct {
		name  string
		s     *snapshot.Snapshot
		ahead time.Duration
		want  bool
	}{{"well", live, 39 * time.Second, false}, {"stalled", live, 41 * time.Second, true}, {"demo runs at its own speed", dashtest.Sample(), time.Hour, false}} {
		body := get(site(t, dashtest.New(tt.s), tt.ahead), "/").Body.String()
		if got := strings.Contains(body, "has published nothing for"); got != tt.want {
			t.Errorf("%s: banner %v, want %v", tt.name, got, tt.want)
		}
	}
}

// TestStalledDemoShows: the demo's clock says nothing, so the time since its
// last new snapshot counts.
func TestStalledDemoShows(t *testing.T) {
	wall := dashtest.Now()
	f := dashtest.New(dashtest.Sample())
	h, err := web.New(f, web.Options{Now: func() time.Time { return wall.Add(time.Hour) }, Wall: func() time.Time { return wall }})
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		after   time.Duration
		publish bool
		want    bool
	}{{0, false, false}, {39 * time.Second, false, false}, {2 * time.Second, false, true}, {time.Second, true, false}} {
		wall = wall.Add(step.after)
		if step.publish {
			s := dashtest.Sample()
			s.Time = s.Time.Add(time.Minute)
			f.Publish(s)
		}
		if got := strings.Contains(get(h, "/").Body.String(), "has published nothing for"); got != step.want {
			t.Errorf("after %v: banner %v, want %v", wall.Sub(dashtest.Now()), got, step.want)
		}
	}
}

func TestTroubleIsAnnouncedOnce(t *testing.T) {
	body := get(site(t, dashtest.New(dashtest.Ugly()), time.Hour), "/messages").Body.String()
	status, _, _ := strings.Cut(body, `class="asof"`)
	for _, want := range []string{"rearguard has stopped publishing.", "No readings arrive", "Records cannot be written.", "Alarm: ", "Nursery is too hot;", "and more."} {
		if !strings.Contains(status, want) {
			t.Errorf("the announcement lacks %q", want)
		}
	}
	if _, part, _ := strings.Cut(status, `id="part-status"`); strings.Contains(part, `role="alert"`) {
		t.Error("a banner would be read out again with every update")
	}
}

// An alarm that is held for want of data says so, since when, and what is
// missing; its number is no longer that of now.
func TestHeldAlarmSaysSo(t *testing.T) {
	s := dashtest.Sample()
	for i := range s.Alarms {
		if s.Alarms[i].Key.Condition == "heat" {
			s.Alarms[i].UnknownSince = dashtest.Now().Add(-20 * time.Minute)
			s.Alarms[i].Want = "the sensor that measured it, shelf 1 (nursery-a), has said nothing since 11:06; last value 38.0 °C"
		}
	}
	_, body, _ := strings.Cut(get(site(t, dashtest.New(s), 0), "/alarms").Body.String(), `data-key="a|heat|nursery|"`)
	body, _, _ = strings.Cut(body, "</article>")
	want := "<b>Held since 11:06:</b> nothing tells how it is now; the sensor that measured it, shelf 1 (nursery-a), has said nothing since 11:06; last value 38.0 °C"
	if !strings.Contains(body, want) || strings.Contains(body, "<dt>Now</dt>") || !strings.Contains(body, "<dt>Last</dt>") {
		t.Errorf("the alarm does not say %q:\n%s", want, body)
	}
}

func TestStartingAndMissing(t *testing.T) {
	if w := get(site(t, dashtest.New(nil), 0), "/"); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("starting: status %d", w.Code)
	}
	h := site(t, dashtest.New(dashtest.Sample()), 0)
	for _, path := range []string{"/rooms/attic", "/sensors/x", "/cohorts/x", "/nowhere", "/static/none.css"} {
		if w := get(h, path); w.Code != http.StatusNotFound {
			t.Errorf("%s: status %d", path, w.Code)
		}
	}
}

func TestForms(t *testing.T) {
	now := dashtest.Now()
	heat := alerts.Key{Condition: "heat", Room: "nursery"}
	tests := []struct {
		name, path, form, to string
		want                 fold.Command
	}{
		{"going", "/alarms/going", "condition=heat&room=nursery&subject=&who=Ines&back=/alarms", "/alarms?done=going", fold.Order{Verb: alerts.Going, Key: heat, Who: "Ines", Incident: true}},
		{"acknowledge", "/alarms/acknowledge", "condition=heat&room=nursery&subject=&who=Ines&back=/alarms", "/alarms?done=acknowledged", fold.Order{Verb: alerts.Acknowledge, Key: heat, Who: "Ines", Incident: true}},
		{"no way out", "/alarms/acknowledge", "condition=heat&room=nursery&who=Ines&back=//evil.example", "/?done=acknowledged", fold.Order{Verb: alerts.Acknowledge, Key: heat, Who: "Ines", Incident: true}},
		{
			"shelve", "/alarms/shelve", "condition=heat&room=nursery&who=Ines&minutes=240&reason=cleaning&back=/", "/?done=shelved",
			fold.Order{Verb: alerts.Shelve, Key: heat, Who: "Ines", For: 4 * time.Hour, Reason: "cleaning"},
		},
		{
			"unshelve", "/alarms/unshelve", "condition=damp&room=pupae&who=Ines&back=/", "/?done=unshelved",
			fold.Order{Verb: alerts.Unshelve, Key: alerts.Key{Condition: "damp", Room: "pupae"}, Who: "Ines"},
		},
		{
			"out of service", "/alarms/out-of-service", "condition=heat&room=nursery&who=Ines&reason=new+heater&back=/alarms", "/alarms?done=out-of-service",
			fold.Order{Verb: alerts.TakeOut, Key: heat, Who: "Ines", Reason: "new heater"},
		},
		{"return to service", "/alarms/return", "condition=heat&room=nursery&who=Ines&back=/alarms", "/alarms?done=returned", fold.Order{Verb: alerts.Return, Key: heat, Who: "Ines"}},
		{
			"count", "/cohorts/dp-0412/count", "stage=larva-4&seen=40&of=52&who=Ines", "/cohorts/dp-0412?done=count",
			fold.RecordCount{Count: population.Count{Cohort: "dp-0412", Time: now, Stage: "larva-4", Seen: 40, Of: 52, By: "Ines"}},
		},
		{
			// Entered in the facility's zone, two hours ahead of UTC.
			"count with losses", "/cohorts/dp-0412/count", "stage=larva-5&seen=3&of=&lost=2&cause=mould&at=2026-05-14T09:10&who=Ines", "/cohorts/dp-0412?done=count",
			fold.RecordCount{Count: population.Count{
				Cohort: "dp-0412", Time: time.Date(2026, 5, 14, 7, 10, 0, 0, time.UTC), Stage: "larva-5", Seen: 3, Lost: 2, Cause: "mould", By: "Ines",
			}},
		},
		{"undo", "/cohorts/dp-0412/undo", "count=7&who=Ines", "/cohorts/dp-0412?done=undone", fold.UndoCount{Count: 7, Who: "Ines"}},
		{"move", "/cohorts/dp-0412/move", "room=pupae&who=Ines", "/cohorts/dp-0412?done=moved", fold.MoveCohort{Cohort: "dp-0412", Room: "pupae", At: now, Who: "Ines"}},
		{"end", "/cohorts/pb-190/end", "who=Ines", "/?done=ended", fold.EndCohort{Cohort: "pb-190", At: now, Who: "Ines"}},
		{
			"new", "/cohorts/new", "id=mp-09&species=morpho-peleides&room=nursery&start_stage=egg&individuals=80&start=&note=&who=Ines", "/cohorts/mp-09?done=added",
			fold.AddCohort{Who: "Ines", Cohort: population.Cohort{
				ID: "mp-09", Species: "morpho-peleides", Start: now, StartStage: "egg", Individuals: 80,
				Placements: []population.Placement{{Room: "nursery", From: now}},
			}},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := dashtest.New(dashtest.Sample())
			form, err := url.ParseQuery(tt.form)
			if err != nil {
				t.Fatal(err)
			}
			w := send(site(t, f, 0), tt.path, form)
			if w.Code != http.StatusSeeOther || w.Header().Get("Location") != tt.to {
				t.Fatalf("status %d to %q, want 303 to %q: %s", w.Code, w.Header().Get("Location"), tt.to, text(w.Body.String(), "<main", "</main>"))
			}
			if diff := cmp.Diff([]fold.Command{tt.want}, f.Commands()); diff != "" {
				t.Errorf("commands differ (-want +got):\n%s", diff)
			}
			c := w.Result().Cookies()
			if len(c) != 1 || c[0].Value != "Ines" || !c[0].HttpOnly {
				t.Errorf("cookies %v", c)
			}
		})
	}
}

func TestRefusedFormKeepsWhatWasTyped(t *testing.T) {
	f := dashtest.New(dashtest.Sample())
	form := url.Values{"stage": {"larva-5"}, "seen": {"61"}, "of": {"52"}, "who": {"Ines"}}
	w := send(site(t, f, 0), "/cohorts/dp-0412/count", form)
	body := w.Body.String()
	if w.Code != http.StatusUnprocessableEntity || len(f.Commands()) != 0 {
		t.Fatalf("status %d, %d commands", w.Code, len(f.Commands()))
	}
	for _, want := range []string{`value="61"`, `value="52"`, `value="larva-5" selected`, "check both numbers", `aria-invalid="true"`} {
		if !strings.Contains(body, want) {
			t.Errorf("the form lacks %s", want)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		path, form string
		status     int
		says       string
	}{
		{"/alarms/acknowledge", "condition=heat&room=nursery&who=", 422, "Enter your name"},
		{"/alarms/acknowledge", "condition=gone&room=nursery&who=x", 404, "may have cleared"},
		{"/cohorts/dp-0412/count", "stage=larva-4&seen=4x&who=x", 422, "digits only"},
		{"/cohorts/dp-0412/count", "stage=larva-4&seen=99999999999999999999&who=x", 422, "digits only"},
		{"/cohorts/dp-0412/count", "stage=larva-4&seen=4&at=yesterday&who=x", 422, "date and time"},
		{"/cohorts/none/count", "stage=larva-4&seen=4&who=x", 404, "not known"},
		{"/cohorts/new", "id=X Y&species=morpho-peleides&room=nursery&individuals=1&who=x", 422, "lower-case"},
		{"/who", "who=", 422, "Enter your name"},
	} {
		form, err := url.ParseQuery(tt.form)
		if err != nil {
			t.Fatal(err)
		}
		f := dashtest.New(dashtest.Sample())
		w := send(site(t, f, 0), tt.path, form)
		if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.says) || len(f.Commands()) != 0 {
			t.Errorf("%s %s: status %d, says %q", tt.path, tt.form, w.Code, text(w.Body.String(), "<main", "</main>"))
		}
	}
}

func TestDoubleTapCountsOnce(t *testing.T) {
	f := dashtest.New(dashtest.Sample())
	h := site(t, f, 0)
	form := url.Values{"once": {"TOKEN"}, "stage": {"larva-4"}, "seen": {"40"}, "who": {"Ines"}}
	f.Refuse(fmt.Errorf("%w: records are read-only", fold.ErrRefused))
	if w := send(h, "/cohorts/dp-0412/count", form); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "Records are read-only.") {
		t.Errorf("refused: status %d", w.Code)
	}
	f.Refuse(nil)
	for range 2 {
		if w := send(h, "/cohorts/dp-0412/count", form); w.Code != http.StatusSeeOther {
			t.Errorf("status %d", w.Code)
		}
	}
	if n := len(f.Commands()); n != 1 {
		t.Errorf("%d counts were stored, want 1", n)
	}
}

func TestOtherSitesCannotPost(t *testing.T) {
	f := dashtest.New(dashtest.Sample())
	h := site(t, f, 0)
	form := url.Values{"condition": {"heat"}, "room": {"nursery"}, "who": {"Ines"}}
	for name, header := range map[string][2]string{"fetch metadata": {"Sec-Fetch-Site", "cross-site"}, "origin": {"Origin", "https://evil.example"}} {
		w := send(h, "/alarms/acknowledge", form, func(r *http.Request) {
			r.Header.Del("Sec-Fetch-Site")
			r.Header.Set(header[0], header[1])
		})
		if w.Code != http.StatusForbidden {
			t.Errorf("%s: status %d, want 403", name, w.Code)
		}
	}
	if n := len(f.Commands()); n != 0 {
		t.Errorf("%d commands came through", n)
	}
	if w := send(h, "/alarms/acknowledge", form, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-origin") }); w.Code != http.StatusSeeOther {
		t.Errorf("own page: status %d", w.Code)
	}
}

func TestHeadersAndBodyLimit(t *testing.T) {
	h := site(t, dashtest.New(dashtest.Sample()), 0)
	header := get(h, "/").Header()
	if csp := header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
		t.Errorf("policy %q", csp)
	}
	if header.Get("X-Content-Type-Options") != "nosniff" || header.Get("Cache-Control") != "no-store" {
		t.Errorf("headers %v", header)
	}
	w := send(h, "/who", url.Values{"who": {strings.Repeat("x", 70_000)}})
	if w.Code != http.StatusBadRequest {
		t.Errorf("large body: status %d, want 400", w.Code)
	}
}

func TestPagesArePackedWhenAsked(t *testing.T) {
	h := site(t, dashtest.New(dashtest.Sample()), 0)
	plain := get(h, "/alarms").Body.String()
	for header, want := range map[string]string{"gzip, deflate, br": "gzip", "br;q=1, GZIP;q=0.5": "gzip", "gzip;q=0": "", "br": "", "": ""} {
		r := httptest.NewRequest(http.MethodGet, "/alarms", http.NoBody)
		r.Header.Set("Accept-Encoding", header)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if got := w.Header().Get("Content-Encoding"); got != want {
			t.Errorf("%q: encoding %q, want %q", header, got, want)
			continue
		}
		if want == "" {
			continue
		}
		z, err := gzip.NewReader(w.Body)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(z)
		if err != nil || string(body) != plain {
			t.Errorf("%q: the packed page differs (%v)", header, err)
		}
	}
}

func TestNameCookieIsCheckedLikeAnEntry(t *testing.T) {
	h := site(t, dashtest.New(dashtest.Sample()), 0)
	for value, want := range map[string]string{"In%C3%A9s+P": "Inés P", "%3Cscript%3E": "&lt;script&gt;", "%00": "Your name", "%zz": "Your name", strings.Repeat("x", 81): "Your name"} {
		r := httptest.NewRequest(http.MethodGet, "/messages", http.NoBody)
		r.AddCookie(&http.Cookie{Name: "rearguard_name", Value: value})
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if !strings.Contains(w.Body.String(), `<a href="/who">`+want+`</a>`) {
			t.Errorf("cookie %.20q: the name %q is not shown", value, want)
		}
	}
}

// FuzzForms sends arbitrary forms to every address that takes one: none may
// fail on our side or redirect away from the site.
func FuzzForms(f *testing.F) {
	f.Add("/cohorts/dp-0412/count", "stage=larva-4&seen=1&who=x&at=2026-05-14T09:10")
	f.Add("/alarms/shelve", "condition=heat&room=nursery&who=x&minutes=9&reason=r&back=/\\evil")
	f.Add("/alarms/acknowledge", "condition=heat&room=nursery&who=x&back=/%0d%0aX: y")
	f.Add("/cohorts/new", "id=a&species=morpho-peleides&room=nursery&individuals=-1&who=x")
	f.Add("/who", "who=%ff&back=//x")
	s, err := web.New(dashtest.New(dashtest.Sample()), web.Options{Now: dashtest.Now, Wall: dashtest.Now})
	if err != nil {
		f.Fatal(err)
	}
	h := web.Protect(s, testAccess())
	f.Fuzz(func(t *testing.T, path, form string) {
		u, err := url.Parse(path)
		if err != nil || !strings.HasPrefix(u.Path, "/") {
			return
		}
		r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(form))
		r.URL = u
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code >= 500 {
			t.Errorf("status %d", w.Code)
		}
		to, err := url.Parse(w.Header().Get("Location"))
		if err != nil || to.Host != "" || to.Scheme != "" {
			t.Errorf("redirects to %q", w.Header().Get("Location"))
		}
	})
}
