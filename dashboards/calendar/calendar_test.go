package calendar_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards/calendar"
	"rearguard/dashboards/dashtest"
)

func fetch(h http.Handler, path, tag string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, path, http.NoBody)
	if tag != "" {
		r.Header.Set("If-None-Match", tag)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// events parses a feed and returns its events by summary.
func events(t *testing.T, body string) map[string]*ics.VEvent {
	t.Helper()
	cal, err := ics.ParseCalendar(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]*ics.VEvent{}
	for _, e := range cal.Events() {
		out[e.GetProperty(ics.ComponentPropertySummary).Value] = e
	}
	return out
}

func value(e *ics.VEvent, p ics.ComponentProperty) string {
	if v := e.GetProperty(p); v != nil {
		return v.Value
	}
	return ""
}

// checkLines asserts RFC 5545 section 3.1: CRLF line ends, no more than 75
// octets in a line, no character cut in two.
func checkLines(t interface{ Errorf(string, ...any) }, body string) {
	if !strings.HasSuffix(body, "END:VCALENDAR\r\n") {
		t.Errorf("feed does not end with END:VCALENDAR and CRLF")
	}
	for line := range strings.SplitSeq(strings.TrimSuffix(body, "\r\n"), "\r\n") {
		if len(line) > 75 {
			t.Errorf("line of %d octets: %q", len(line), line)
		}
		if strings.ContainsAny(line, "\r\n") || !utf8.ValidString(line) {
			t.Errorf("broken line: %q", line)
		}
	}
}

func TestFeed(t *testing.T) {
	w := fetch(calendar.New(dashtest.New(dashtest.Sample())), "/calendar.ics", "")
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "text/calendar; charset=utf-8" {
		t.Fatalf("status %d, type %q", w.Code, w.Header().Get("Content-Type"))
	}
	body := w.Body.String()
	checkLines(t, body)
	for _, want := range []string{"VERSION:2.0\r\n", "PRODID:-//rearguard//", "REFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n", "NAME:Hall of Wings\\, invented data\r\n"} {
		if !strings.Contains(body, want) {
			t.Errorf("feed lacks %q", want)
		}
	}
	if strings.Contains(body, "VALARM") {
		t.Error("the feed carries an alarm")
	}
	got := events(t, body)
	if len(got) != 8 {
		t.Errorf("%d events, want 8", len(got))
	}
	// Ten hours wide: timed, from early to late, in UTC.
	moult := got["Moult to larva, 5th instar: Danaus plexippus dp-0412"]
	if moult == nil {
		t.Fatalf("no moult among %v", got)
	}
	if s, e := value(moult, ics.ComponentPropertyDtStart), value(moult, ics.ComponentPropertyDtEnd); s != "20260514T122640Z" || e != "20260514T222640Z" {
		t.Errorf("moult from %s to %s", s, e)
	}
	// Four days wide: whole days in the facility's zone, the end exclusive.
	emergence := got["Emergence: Danaus plexippus dp-0412"]
	if s, e := value(emergence, ics.ComponentPropertyDtStart), value(emergence, ics.ComponentPropertyDtEnd); s != "20260525" || e != "20260530" {
		t.Errorf("emergence from %s to %s", s, e)
	}
	if d := value(emergence, ics.ComponentPropertyDtstamp); d != "20260514T092640Z" {
		t.Errorf("stamp %s, want the engine's time", d)
	}
}

// Calendars do not ring for a feed, so none is promised: no reminder is in it,
// and it says where people read it that it is no alarm. The pages and README.md
// say so too.
func TestComplaint20FeedPromisesNoReminder(t *testing.T) {
	body := fetch(calendar.New(dashtest.New(dashtest.Sample())), "/calendar.ics", "").Body.String()
	unfolded := strings.ReplaceAll(body, "\r\n ", "")
	if strings.Contains(unfolded, "VALARM") || strings.Contains(unfolded, "TRIGGER") {
		t.Error("the feed carries a reminder")
	}
	if !strings.Contains(unfolded, "For planning only: it carries no alarms\\, and calendars may show it hours late.") {
		t.Error("the feed as a whole does not say that it carries no alarms")
	}
	if n, events := strings.Count(unfolded, "For planning only\\, no alarm."), strings.Count(unfolded, "BEGIN:VEVENT"); n != events || n == 0 {
		t.Errorf("%d of %d events say that they are no alarm", n, events)
	}
	for _, document := range []string{"../../README.md", "../web/templates/cohorts.html"} {
		text, err := os.ReadFile(document)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), "carries no alarms and may be hours late") {
			t.Errorf("%s does not tell the limit", document)
		}
	}
}

func TestFilters(t *testing.T) {
	h := calendar.New(dashtest.New(dashtest.Sample()))
	for path, want := range map[string]int{
		"/calendar.ics?room=nursery": 5, "/calendar.ics?species=morpho-peleides": 2,
		"/calendar.ics?room=nursery&species=morpho-peleides": 1, "/calendar.ics?room=glasshouse&species=danaus-plexippus": 0,
	} {
		if n := strings.Count(fetch(h, path, "").Body.String(), "BEGIN:VEVENT"); n != want {
			t.Errorf("%s: %d events, want %d", path, n, want)
		}
	}
	for _, path := range []string{"/calendar.ics?room=attic", "/calendar.ics?species=unicorn"} {
		if w := fetch(h, path, ""); w.Code != http.StatusNotFound {
			t.Errorf("%s: status %d", path, w.Code)
		}
	}
}

// moved returns the sample with the monarchs' moult later by d, at a later
// time of the engine.
func moved(d time.Duration) *snapshot.Snapshot {
	s := dashtest.Sample()
	s.Time = s.Time.Add(3 * time.Hour)
	e := &s.Cohorts[0].Expected[0]
	e.Early, e.Median, e.Late = e.Early.Add(d), e.Median.Add(d), e.Late.Add(d)
	return s
}

func TestSmallMovesChangeNothing(t *testing.T) {
	f := dashtest.New(dashtest.Sample())
	h := calendar.New(f)
	first := fetch(h, "/calendar.ics", "")
	tag := first.Header().Get("ETag")
	// The interval is 10 h wide, so the tolerance is 2.5 h.
	f.Publish(moved(149 * time.Minute))
	if w := fetch(h, "/calendar.ics", tag); w.Code != http.StatusNotModified || w.Body.Len() != 0 {
		t.Errorf("status %d after a small move, want 304", w.Code)
	}
	f.Publish(moved(151 * time.Minute))
	w := fetch(h, "/calendar.ics", tag)
	if w.Code != http.StatusOK {
		t.Fatalf("status %d after a large move, want 200", w.Code)
	}
	before, after := events(t, first.Body.String()), events(t, w.Body.String())
	for name, a := range after {
		b := before[name]
		if a.Id() != b.Id() {
			t.Errorf("%s: the UID changed from %s to %s", name, b.Id(), a.Id())
		}
		grew := number(t, a) > number(t, b)
		if want := strings.HasPrefix(name, "Moult"); grew != want {
			t.Errorf("%s: SEQUENCE from %d to %d", name, number(t, b), number(t, a))
		}
		if !grew {
			if diff := cmp.Diff(b.Properties, a.Properties); diff != "" {
				t.Errorf("%s changed without a new SEQUENCE:\n%s", name, diff)
			}
		}
	}
}

func number(t *testing.T, e *ics.VEvent) int {
	t.Helper()
	n, err := strconv.Atoi(value(e, ics.ComponentPropertySequence))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestRestartKeepsUIDAndRaisesSequence(t *testing.T) {
	before := events(t, fetch(calendar.New(dashtest.New(dashtest.Sample())), "/calendar.ics", "").Body.String())
	after := events(t, fetch(calendar.New(dashtest.New(moved(5*time.Hour))), "/calendar.ics", "").Body.String())
	for name, a := range after {
		if a.Id() != before[name].Id() || number(t, a) <= number(t, before[name]) {
			t.Errorf("%s: %s %d, then %s %d", name, before[name].Id(), number(t, before[name]), a.Id(), number(t, a))
		}
	}
}

func TestStarting(t *testing.T) {
	if w := fetch(calendar.New(dashtest.New(nil)), "/calendar.ics", ""); w.Code != http.StatusServiceUnavailable {
		t.Errorf("status %d", w.Code)
	}
}

// TestAnyNames feeds names in many scripts and with everything that means
// something in iCalendar; each must come back whole.
func TestAnyNames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := dashtest.Sample()
		s.Cohorts = s.Cohorts[:1]
		name := rapid.StringN(1, 120, -1).Draw(t, "species")
		s.Cohorts[0].SpeciesName = name
		s.Facility = rapid.String().Draw(t, "facility")
		s.Rooms[0].Name = rapid.StringMatching(`[;:,\\"\n\r äß蝶🦋]{0,90}`).Draw(t, "room")
		body := fetch(calendar.New(dashtest.New(s)), "/calendar.ics", "").Body.String()
		checkLines(t, body)
		if n := strings.Count(body, "\r\nBEGIN:VEVENT\r\n"); n != 4 {
			t.Fatalf("%d events, want 4", n)
		}
		if n := strings.Count(body, "\r\nLOCATION:"); n != 4 {
			t.Fatalf("%d locations, want 4", n)
		}
	})
}

// TestSecondParser reads the feed with ical.js from npm, pinned.
func TestSecondParser(t *testing.T) {
	npm, err := exec.LookPath("npm")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("npm is missing: install npm (apt-get install npm)")
		}
		t.Skip("npm is missing: install npm (apt-get install npm)")
	}
	dir := t.TempDir()
	install := exec.CommandContext(t.Context(), npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", "--silent", "--prefix", dir, "ical.js@2.2.1")
	if out, err := install.CombinedOutput(); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("npm install: %v\n%s", err, out)
		}
		t.Skipf("ical.js cannot be installed: %v\n%s", err, out)
	}
	s := dashtest.Ugly()
	s.Facility = `Käfig; "A", B\n 蝶の家 ` + strings.Repeat("ü", 60)
	s.Cohorts[1].ID = population.CohortID("semi;comma,back\\slash")
	feed := fetch(calendar.New(dashtest.New(s)), "/calendar.ics", "").Body.Bytes()
	if err := os.WriteFile(filepath.Join(dir, "feed.ics"), feed, 0o600); err != nil {
		t.Fatal(err)
	}
	script := `import ICAL from "ical.js"; import { readFileSync } from "node:fs";
const cal = new ICAL.Component(ICAL.parse(readFileSync("feed.ics", "utf8")));
const events = cal.getAllSubcomponents("vevent").map((c) => { const e = new ICAL.Event(c);
  return { uid: e.uid, summary: e.summary, start: e.startDate.toString(), end: e.endDate.toString(), allDay: e.startDate.isDate, alarms: c.getAllSubcomponents("valarm").length }; });
console.log(JSON.stringify({ name: cal.getFirstPropertyValue("name"), refresh: String(cal.getFirstPropertyValue("refresh-interval")), events }));`
	if err := os.WriteFile(filepath.Join(dir, "read.mjs"), []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	node := exec.CommandContext(t.Context(), "node", "read.mjs")
	node.Dir = dir
	out, err := node.Output()
	if err != nil {
		t.Fatalf("ical.js cannot read the feed: %v\n%s", err, out)
	}
	var got struct {
		Name, Refresh string
		Events        []struct {
			UID, Summary, Start, End string
			AllDay                   bool
			Alarms                   int
		}
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	// ical.js does not know NAME of RFC 7986 and hands it on as it stands in
	// the file, so the escapes of RFC 5545 section 3.3.11 are still in it.
	name := strings.NewReplacer(`\`, `\\`, ";", `\;`, ",", `\,`).Replace(s.Facility)
	if got.Name != name || got.Refresh != "PT1H" || len(got.Events) != 8 {
		t.Errorf("name %q, refresh %q, %d events", got.Name, got.Refresh, len(got.Events))
	}
	seen := map[string]bool{}
	for _, e := range got.Events {
		if seen[e.UID] || e.Alarms != 0 {
			t.Errorf("repeated UID or alarm in %+v", e)
		}
		seen[e.UID] = true
	}
	first, second := got.Events[0], got.Events[4]
	if first.Start != "2026-05-14T12:26:40Z" || first.End != "2026-05-14T22:26:40Z" || first.AllDay {
		t.Errorf("first event %+v", first)
	}
	if want := `Emergence: Heliconius melpomene semi;comma,back\slash`; second.Summary != want {
		t.Errorf("summary %q, want %q", second.Summary, want)
	}
}
