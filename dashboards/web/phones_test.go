package web_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	kept "rearguard/daemon/records/phones"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
	"rearguard/dashboards/web/phones"
)

// phoneList is what stands behind the page: it says what it was told to and
// remembers what it was asked.
type phoneList struct {
	key    string
	people []phones.Person
	list   []kept.Phone

	mu      sync.Mutex
	failure error
	asked   []any
}

// removal, test and seen are what phoneList is asked beside subscriptions.
type (
	removal int64
	trial   int64
	seen    string
)

func (p *phoneList) Key() string             { return p.key }
func (p *phoneList) People() []phones.Person { return p.people }
func (p *phoneList) Phones() []kept.Phone    { return p.list }

func (p *phoneList) ask(what any) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked = append(p.asked, what)
	return p.failure
}

func (p *phoneList) Subscribe(_ context.Context, s phones.Subscription) error { return p.ask(s) }
func (p *phoneList) Remove(_ context.Context, id int64) error                 { return p.ask(removal(id)) }
func (p *phoneList) Test(_ context.Context, id int64) error                   { return p.ask(trial(id)) }
func (p *phoneList) Seen(_ context.Context, word string) error                { return p.ask(seen(word)) }

// samplePhones has a phone in every state there is.
func samplePhones() *phoneList {
	now := dashtest.Now()
	long := strings.Repeat("w", 40)
	return &phoneList{
		key: "BP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A8",
		people: []phones.Person{
			{ID: "lead", Name: "Facility lead", ByPhone: true, Otherwise: true}, {ID: "keeper", Name: "Keeper <b>2</b>", ByPhone: true},
			{ID: "night", Name: "Night watch", ByPhone: true, Otherwise: true}, {ID: "vet", Name: "Vet"},
		},
		list: []kept.Phone{
			{ID: 1, Person: "lead", Name: "work", Since: now.AddDate(0, -2, 0), TakenAt: now.Add(-3 * time.Hour), TestedAt: now.AddDate(0, 0, -3), SeenAt: now.AddDate(0, 0, -3).Add(time.Minute)},
			{ID: 2, Person: "lead", Name: "<script>alert(1)</script>", Since: now.AddDate(0, -3, 0), TakenAt: now.Add(-30 * time.Hour), FailedAt: now.Add(-time.Hour), Failure: "the push service web.push.apple.com answered 403 Forbidden: " + long, SeenAt: now.AddDate(0, -2, 0), TestedAt: now.AddDate(0, -2, 0)},
			{ID: 3, Person: "keeper", Name: long, Since: now, TestedAt: now.Add(-20 * time.Minute)},
			{ID: 4, Person: "night", Name: "old", Since: now.AddDate(-1, 0, 0), FailedAt: now.AddDate(0, 0, -9), Failure: "410", Gone: true},
			{ID: 5, Person: "gone-from-the-file", Name: "new", Since: now},
		},
	}
}

func phoneSite(t *testing.T, p phones.Phones) http.Handler {
	t.Helper()
	s, err := web.New(dashtest.New(dashtest.Sample()), web.Options{Now: dashtest.Now, Wall: dashtest.Now, Phones: p})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return web.Protect(s, testAccess())
}

func TestPhonesPageSaysWhatMatters(t *testing.T) {
	body := get(phoneSite(t, samplePhones()), "/phones").Body.String()
	said := text(body, `<section id="part-phones-list"`, "</section>")
	for _, want := range []string{
		"Without a phone: Night watch.", "On phones only: Keeper &lt;b&gt;2&lt;/b&gt;.",
		"Facility lead , work Last message taken by its push service 3 h ago. Test seen 2 days ago. Subscribed since",
		"last message refused 60 min ago: the push service web.push.apple.com answered 403 Forbidden", "Try it again:",
		"No message yet. Test sent 20 min ago and not tapped yet.", "gets nothing", "Open this page on the phone.", "gone-from-the-file , new No message yet. Never tried:",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the list lacks %q: %q", want, said)
		}
	}
	for _, want := range []string{"iPhone or iPad (16.4 or newer)", "https:// address", "second channel", "Silent mode", `<option value="vet">Vet</option>`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Count(body, "/test\"") != 4 || strings.Contains(body, "<script>alert") || strings.Contains(body, "<b>2") {
		t.Error("a phone that is gone can be tested, or a name is taken for markup")
	}
}

// Where no phone can be told, the page says what to do, and no page carries
// what only phones need.
func TestNoPhonesAreConfigured(t *testing.T) {
	for name, p := range map[string]phones.Phones{"no records": nil, "no channel": &phoneList{}} {
		h := phoneSite(t, p)
		body := get(h, "/phones").Body.String()
		if !strings.Contains(body, "add a channel of kind push to facility.yaml") || strings.Contains(body, "phone.js") || strings.Contains(body, "manifest") || strings.Contains(body, `href="/phones"`) {
			t.Errorf("%s: the page says %q", name, text(body, "<main", "</main>"))
		}
		for path, form := range map[string]url.Values{"/phones": {"endpoint": {"https://x"}, "person": {"lead"}, "name": {"x"}}, "/phones/1/test": {}, "/phones/1/remove": {}} {
			if w := send(h, path, form); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "No channel of kind push") {
				t.Errorf("%s: %s: status %d", name, path, w.Code)
			}
		}
		if w := send(h, "/phones/sync", nil); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: sync: status %d", name, w.Code)
		}
	}
}

func TestFormsOfPhones(t *testing.T) {
	full := url.Values{"device": {"d"}, "person": {"lead"}, "name": {" work "}, "endpoint": {"https://push"}, "p256dh": {"k"}, "auth": {"a"}}
	without := func(field string) url.Values {
		v := url.Values{}
		for name, value := range full {
			if name != field {
				v[name] = value
			}
		}
		return v
	}
	for _, tt := range []struct {
		path   string
		form   url.Values
		fails  error
		status int
		says   string
		asked  any
	}{
		{"/phones", full, nil, 303, "/phones?done=phone", phones.Subscription{Device: "d", Person: "lead", Name: "work", Endpoint: "https://push", P256dh: "k", Auth: "a"}},
		{"/phones", full, errors.New("the phone is refused"), 422, "The phone is refused.", phones.Subscription{Device: "d", Person: "lead", Name: "work", Endpoint: "https://push", P256dh: "k", Auth: "a"}},
		{"/phones", without("person"), nil, 422, "Choose who is told on this phone.", nil},
		{"/phones", without("name"), nil, 422, "Give this phone a name.", nil},
		{"/phones", without("endpoint"), nil, 422, "did not say where it takes messages", nil},
		{"/phones/3/test", nil, nil, 303, "/phones?done=phone-test", trial(3)},
		{"/phones/3/test", nil, errors.New("the test was not sent"), 422, "The test was not sent.", trial(3)},
		{"/phones/3/remove", nil, nil, 303, "/phones?done=phone-removed", removal(3)},
		{"/phones/x/remove", nil, nil, 422, "There is no such phone", nil},
		{"/phones/seen", url.Values{"word": {"ABC"}}, nil, 303, "/phones?done=phone-seen", seen("ABC")},
		{"/phones/seen", url.Values{"word": {"ABC"}}, errors.New("this test is not the last one"), 422, "This test is not the last one.", seen("ABC")},
	} {
		p := samplePhones()
		p.failure = tt.fails
		w := send(phoneSite(t, p), tt.path, tt.form)
		said := w.Header().Get("Location") + text(w.Body.String(), "form-problem", "</p>")
		if w.Code != tt.status || !strings.Contains(said, tt.says) {
			t.Errorf("%s: status %d, %q; want %d, %q", tt.path, w.Code, said, tt.status, tt.says)
		}
		var want []any
		if tt.asked != nil {
			want = []any{tt.asked}
		}
		if diff := cmp.Diff(want, p.asked); diff != "" {
			t.Errorf("%s asked (-want +got):\n%s", tt.path, diff)
		}
		if strings.Contains(w.Body.String(), "https://push") {
			t.Errorf("%s shows the address of a phone", tt.path)
		}
	}
}

func TestPhoneThatSpeaksByItself(t *testing.T) {
	for _, tt := range []struct {
		fails  error
		status int
	}{{nil, 204}, {kept.ErrRemoved, 404}, {kept.ErrStale, 410}, {errors.New("the disk is full"), 422}} {
		p := samplePhones()
		p.failure = tt.fails
		if w := send(phoneSite(t, p), "/phones/sync", url.Values{"device": {"d"}, "person": {"lead"}, "name": {"work"}, "endpoint": {"https://push"}}); w.Code != tt.status {
			t.Errorf("%v: status %d, want %d", tt.fails, w.Code, tt.status)
		}
		if diff := cmp.Diff([]any{phones.Subscription{Device: "d", Person: "lead", Name: "work", Endpoint: "https://push", Again: true}}, p.asked); diff != "" {
			t.Error(diff)
		}
	}
}

// Another site must not subscribe its own phone in a visitor's name, nor remove
// one.
func TestOtherSitesCannotTouchPhones(t *testing.T) {
	p := samplePhones()
	h := phoneSite(t, p)
	for _, path := range []string{"/phones", "/phones/sync", "/phones/1/remove", "/phones/1/test", "/phones/seen"} {
		for name, change := range map[string]func(*http.Request){
			"other site": func(r *http.Request) {
				r.Header.Set("Sec-Fetch-Site", "cross-site")
				r.Header.Set("Origin", "https://evil.example")
			},
			"other name": func(r *http.Request) { r.Host = "evil.example" },
			"no origin":  func(r *http.Request) { r.Header.Del("Sec-Fetch-Site") },
		} {
			if w := send(h, path, url.Values{"person": {"lead"}, "name": {"x"}, "endpoint": {"https://x"}}, change); w.Code < 400 {
				t.Errorf("%s from %s: status %d", path, name, w.Code)
			}
		}
	}
	if len(p.asked) > 0 {
		t.Errorf("came through: %v", p.asked)
	}
}

func TestWhatBrowsersNeedOfASite(t *testing.T) {
	h := phoneSite(t, samplePhones())
	for path, kind := range map[string]string{
		"/phone-worker.js": "text/javascript", "/manifest.webmanifest": "application/manifest+json", "/static/phone.js": "text/javascript",
		"/static/icon-192.png": "image/png", "/static/icon-512.png": "image/png",
	} {
		w := get(h, path)
		if w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), kind) {
			t.Errorf("%s: status %d, type %s", path, w.Code, w.Header().Get("Content-Type"))
		}
		// What is not versioned must not be kept.
		if strings.Count(path, "/") == 1 && w.Header().Get("Cache-Control") != "no-cache" {
			t.Errorf("%s: kept for %q", path, w.Header().Get("Cache-Control"))
		}
		if strings.Contains(w.Body.String(), "//") && strings.Contains(w.Body.String(), "http") && !strings.HasSuffix(path, ".js") && !strings.HasSuffix(path, ".png") {
			t.Errorf("%s names another host", path)
		}
	}
	if manifest := get(h, "/manifest.webmanifest").Body.String(); !strings.Contains(manifest, `"display": "standalone"`) {
		t.Error("the manifest does not make the page an app")
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", http.NoBody))
	csp := w.Header().Get("Content-Security-Policy")
	for _, want := range []string{"worker-src 'self'", "manifest-src 'self'"} {
		if !strings.Contains(csp, want) {
			t.Errorf("policy %q lacks %s", csp, want)
		}
	}
}
