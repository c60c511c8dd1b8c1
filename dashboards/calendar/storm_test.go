package calendar_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"

	"rearguard/dashboards/calendar"
	"rearguard/dashboards/dashtest"
)

// A forecast that trembles by half an hour with every reading and drifts by a
// day over two weeks is published a few times, not hundreds.
func TestTremblingForecastsMakeNoStorm(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	f := dashtest.New(dashtest.Sample())
	h := calendar.New(f)
	const polls = 14 * 24
	changes, last, lastTag, fetched := 0, "", "", 0
	for i := range polls {
		s := dashtest.Sample()
		s.Time = s.Time.Add(time.Duration(i) * time.Hour)
		drift := time.Duration(i) * 24 * time.Hour / polls
		for k := range s.Cohorts[0].Expected {
			e := &s.Cohorts[0].Expected[k]
			shake := drift + time.Duration(rng.NormFloat64()*float64(30*time.Minute))
			e.Early, e.Median, e.Late = e.Early.Add(shake), e.Median.Add(shake), e.Late.Add(shake)
		}
		f.Publish(s)
		w := fetch(h, "/calendar.ics", lastTag)
		if w.Code == http.StatusNotModified {
			continue
		}
		fetched++
		lastTag = w.Header().Get("ETag")
		moult := events(t, w.Body.String())["Moult to larva, 5th instar: Danaus plexippus dp-0412"]
		if moult == nil {
			t.Fatal("the moult is missing")
		}
		if n := value(moult, ics.ComponentPropertySequence); n != last {
			changes++
			last = n
		}
	}
	// The interval is 10 h wide, so it is told anew when it has moved by 2.5 h.
	t.Logf("%d polls: %d versions of the moult, %d of %d answers were new", polls, changes, fetched, polls)
	if changes < 5 || changes > 16 || fetched > 40 {
		t.Errorf("%d versions of one event and %d new feeds in two weeks", changes, fetched)
	}
}

// TestThirdReading reads the feed by nothing but the rules of RFC 5545: unfold
// (3.1), split name, parameters and value, nest components, unescape text
// (3.3.11).
func TestThirdReading(t *testing.T) {
	s := dashtest.Ugly()
	w := httptest.NewRecorder()
	calendar.New(dashtest.New(s)).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/calendar.ics", http.NoBody))
	text := strings.ReplaceAll(w.Body.String(), "\r\n ", "")
	var open []string
	events, seen := 0, map[string]bool{}
	have := map[string]string{}
	for n, line := range strings.Split(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		head, val, ok := strings.Cut(line, ":")
		if !ok || strings.ContainsAny(head, " \"") {
			t.Fatalf("line %d is no content line: %q", n+1, line)
		}
		name, _, _ := strings.Cut(head, ";")
		switch name {
		case "BEGIN":
			open = append(open, val)
			have = map[string]string{}
			continue
		case "END":
			if len(open) == 0 || open[len(open)-1] != val {
				t.Fatalf("line %d ends %s inside %v", n+1, val, open)
			}
			open = open[:len(open)-1]
			if val == "VEVENT" {
				events++
				checkEvent(t, have, seen)
			}
			continue
		}
		if _, twice := have[name]; twice && len(open) == 2 {
			t.Errorf("line %d repeats %s", n+1, name)
		}
		have[name] = unescape(t, name, val)
	}
	if len(open) != 0 || events == 0 {
		t.Errorf("%v left open, %d events", open, events)
	}
}

func checkEvent(t *testing.T, have map[string]string, seen map[string]bool) {
	t.Helper()
	for _, name := range []string{"UID", "DTSTAMP", "DTSTART", "SUMMARY", "SEQUENCE"} {
		if have[name] == "" {
			t.Errorf("an event without %s: %v", name, have)
		}
	}
	if seen[have["UID"]] {
		t.Errorf("UID %s twice", have["UID"])
	}
	seen[have["UID"]] = true
	if end := have["DTEND"]; end != "" && end <= have["DTSTART"] {
		t.Errorf("event from %s to %s", have["DTSTART"], end)
	}
	var year, month, day int
	if _, err := fmt.Sscanf(have["DTSTART"], "%4d%2d%2d", &year, &month, &day); err != nil || year < 2020 || month > 12 || day > 31 {
		t.Errorf("start %q: %v", have["DTSTART"], err)
	}
}

func unescape(t *testing.T, name, val string) string {
	t.Helper()
	switch name {
	case "SUMMARY", "DESCRIPTION", "LOCATION", "NAME":
	default:
		return val
	}
	var b strings.Builder
	for i := 0; i < len(val); i++ {
		c := val[i]
		switch c {
		case '\\':
			i++
			if i == len(val) || !strings.ContainsRune(`\;,nN`, rune(val[i])) {
				t.Fatalf("%s has a broken escape: %q", name, val)
			}
			c = val[i]
		case ',', ';':
			t.Errorf("%s has a bare %q: %q", name, c, val)
		}
		b.WriteByte(c)
	}
	return b.String()
}
