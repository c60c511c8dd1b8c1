package relay_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/relay"
	"rearguard/alerts/relay/relaytest"
	"rearguard/alerts/wording"
)

func heat(room string, since time.Time) relay.Standing {
	return relay.Standing{
		Facility: "Moth House", Key: alerts.Key{Condition: "heat", Room: "nursery", Subject: room}, Priority: alerts.High, Title: "too hot", RoomName: "Nursery",
		Measure: wording.Measure{Value: 36.44, Limit: 35, Unit: "°C"}, Detail: "shelf 2",
		Advice:   alerts.Advice{Cause: "Heater stuck on.", Consequence: "Animals die.", FirstAction: "Switch it off."},
		RaisedAt: since, Link: "https://rearguard.example.org/alarms",
	}
}

func book(t *testing.T, text []byte) *relay.Book {
	t.Helper()
	b, err := relay.NewBook(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// run runs a relay with short intervals until the test ends.
func run(t *testing.T, b *relay.Book, targets ...relay.Target) *relay.Relay {
	t.Helper()
	for i := range targets {
		targets[i].Client = notify.NewHTTPClient(nil)
		if targets[i].Interval == 0 {
			targets[i].Interval = 100 * time.Millisecond
		}
	}
	r := relay.New(b, targets, relay.Options{Now: time.Now, Random: func() float64 { return 0.5 }, Logger: slog.New(slog.DiscardHandler)})
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { r.Run(ctx) })
	t.Cleanup(func() { stop(); running.Wait() })
	return r
}

// A real Alertmanager has an alarm from its beginning to its end, over many
// intervals and over its own death.
func TestAlertmanagerHasWhatIsOn(t *testing.T) {
	am := relaytest.Start(t)
	b := book(t, nil)
	began := time.Now().UTC().Add(-time.Minute).Truncate(time.Second)
	r := run(t, b, relay.Target{Name: "house", URL: am.URL + "/"})
	set := func(list ...relay.Standing) {
		b.Take(time.Now(), list)
		r.Wake()
	}
	set(heat("", began))
	am.Eventually("the alarm is there", func() bool { return len(am.Active()) == 1 })
	got := am.Active()[0]
	want := relay.Alert{
		Labels: map[string]string{"alertname": "rearguard_heat", "condition": "heat", "facility": "Moth House", "priority": "high", "room": "nursery"},
		Annotations: map[string]string{
			"headline": "Nursery 36.4 °C: too hot (limit 35.0 °C)", "detail": "shelf 2",
			"cause": "Heater stuck on.", "first_action": "Switch it off.", "consequence": "Animals die.",
		},
		StartsAt: began, EndsAt: got.EndsAt, GeneratorURL: "https://rearguard.example.org/alarms",
	}
	if diff := cmp.Diff(want, got.Alert); diff != "" {
		t.Errorf("alert (-want +got):\n%s", diff)
	}
	first := got.UpdatedAt
	am.Eventually("it was told for twelve intervals", func() bool {
		list := am.Active()
		if len(list) != 1 {
			t.Fatalf("the alarm is gone while it is on: %+v", list)
		}
		return list[0].UpdatedAt.Sub(first) > 1200*time.Millisecond
	})

	am.Kill()
	am.Eventually("the failure is told", func() bool { return len(r.Troubles()) == 1 })
	if trouble := r.Troubles()[0]; trouble.Name != "house" || !strings.Contains(trouble.Problem, "connection refused") || trouble.Since.IsZero() {
		t.Errorf("trouble = %+v", trouble)
	}
	am.Launch()
	am.Eventually("the alarm is there again, and the trouble over", func() bool { return len(am.Active()) == 1 && r.Troubles() == nil })

	// Many at once come in several calls.
	many := []relay.Standing{heat("", began)}
	for i := range 150 {
		many = append(many, heat(fmt.Sprint("cage-", i), began))
	}
	set(many...)
	am.Eventually("all are there", func() bool { return len(am.Active()) == len(many) })
	set(many[1])
	am.Eventually("what ended is over", func() bool { return len(am.Active()) == 1 })
	set()
	am.Eventually("the last is over", func() bool { return len(am.Active()) == 0 })
	set(heat("", began))
	am.Eventually("it is on again", func() bool { return len(am.Active()) == 1 })
}

// What was kept before a restart makes that nothing that is on is told as over,
// and that what ended meanwhile is.
func TestRestartEndsOnlyWhatEnded(t *testing.T) {
	am := relaytest.Start(t)
	now := time.Now()
	before := book(t, nil)
	before.Take(now, []relay.Standing{heat("a", now), heat("b", now)})
	text, _, err := before.Text()
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	first := relay.New(before, []relay.Target{{Name: "house", URL: am.URL, Interval: time.Hour, Client: notify.NewHTTPClient(nil)}}, relay.Options{Now: time.Now, Logger: slog.New(slog.DiscardHandler)})
	var running sync.WaitGroup
	running.Go(func() { first.Run(ctx) })
	am.Eventually("both are there", func() bool { return len(am.Active()) == 2 })
	stop()
	running.Wait()
	if len(am.Active()) != 2 {
		t.Fatal("the end of rearguard ended an alarm")
	}
	after := book(t, text)
	if !after.Take(time.Now(), []relay.Standing{heat("b", now)}) {
		t.Error("that an alarm ended meanwhile is no news")
	}
	run(t, after, relay.Target{Name: "house", URL: am.URL, Interval: time.Minute})
	am.Eventually("what ended is over", func() bool { return len(am.Active()) == 1 })
	if subject := am.Active()[0].Labels["subject"]; subject != "b" {
		t.Errorf("%q is left, want b", subject)
	}
}

// counter counts calls and answers as it is told.
type counter struct {
	mu     sync.Mutex
	calls  []time.Time
	header http.Header
	bodies [][]relay.Alert
	answer func(w http.ResponseWriter)
}

func (c *counter) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var list []relay.Alert
	err := json.NewDecoder(r.Body).Decode(&list)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.calls, c.header = append(c.calls, time.Now()), r.Header
	c.bodies = append(c.bodies, list)
	if err != nil || list == nil {
		w.WriteHeader(http.StatusBadRequest)
	} else if c.answer != nil {
		c.answer(w)
	}
}

func (c *counter) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.calls)
}

func eventually(t *testing.T, what string, condition func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !condition() {
		select {
		case <-ctx.Done():
			t.Fatalf("waited a minute in vain: %s", what)
		case <-tick.C:
		}
	}
}

func TestDeadTargetDelaysNoOther(t *testing.T) {
	release := make(chan struct{})
	hangs := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer hangs.Close()
	defer close(release)
	good := &counter{}
	server := httptest.NewServer(good)
	defer server.Close()
	r := run(t, book(t, nil), relay.Target{Name: "hangs", URL: hangs.URL}, relay.Target{Name: "gone", URL: "http://127.0.0.1:1"},
		relay.Target{Name: "good", URL: server.URL, Interval: 10 * time.Millisecond})
	eventually(t, "the good one is told at its pace and the dead one noticed", func() bool { return good.count() > 20 && len(r.Troubles()) == 1 })
	if name := r.Troubles()[0].Name; name != "gone" {
		t.Errorf("trouble with %s, want gone", name)
	}
	r.Use([]relay.Target{{Name: "good", URL: server.URL, Interval: 10 * time.Millisecond, Client: notify.NewHTTPClient(nil)}})
	n := good.count()
	eventually(t, "the good one is told on", func() bool { return good.count() > n+3 })
	if list := r.Troubles(); list != nil {
		t.Errorf("troubles of targets that are no more: %v", list)
	}
}

func TestRetryAfterIsObeyed(t *testing.T) {
	busy := &counter{answer: func(w http.ResponseWriter) {
		w.Header().Set("Retry-After", "1")
		w.WriteHeader(http.StatusTooManyRequests)
	}}
	server := httptest.NewServer(busy)
	defer server.Close()
	r := run(t, book(t, nil), relay.Target{Name: "busy", URL: server.URL, Interval: 10 * time.Millisecond})
	eventually(t, "it is called again", func() bool { r.Wake(); return busy.count() == 2 })
	if pause := busy.calls[1].Sub(busy.calls[0]); pause < 900*time.Millisecond {
		t.Errorf("called again after %v, though it asked for a second", pause)
	}
	if list := r.Troubles(); len(list) != 1 || !strings.Contains(list[0].Problem, "429") {
		t.Errorf("troubles = %v", list)
	}
}

func TestTargetsAskWhoCalls(t *testing.T) {
	secret := func() (string, error) { return "s3cret", nil }
	echo := func(c *counter) func(http.ResponseWriter) {
		return func(w http.ResponseWriter) {
			w.WriteHeader(http.StatusForbidden)
			_, _ = fmt.Fprint(w, "no: ", c.header.Get("Authorization"), " s3cret")
		}
	}
	tests := map[string]struct {
		target relay.Target
		want   string
		told   string
	}{
		"nobody":   {relay.Target{}, "", "403 Forbidden: no:"},
		"password": {relay.Target{Username: "u", Password: secret}, "Basic dTpzM2NyZXQ=", "403 Forbidden: no: Basic … …"},
		"token":    {relay.Target{Token: secret}, "Bearer s3cret", "403 Forbidden: no: Bearer … …"},
		"unread":   {relay.Target{Token: func() (string, error) { return "", errors.New("the token is not there") }}, "", "the token is not there"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			c := &counter{}
			c.answer = echo(c)
			server := httptest.NewServer(c)
			defer server.Close()
			tt.target.Name, tt.target.URL = "house", server.URL
			r := run(t, book(t, nil), tt.target)
			eventually(t, "the refusal is told", func() bool { return len(r.Troubles()) == 1 })
			problem := r.Troubles()[0].Problem
			if !strings.Contains(problem, tt.told) || name != "nobody" && strings.Contains(problem, "s3cret") {
				t.Errorf("problem %q, want %q and no secret", problem, tt.told)
			}
			c.mu.Lock()
			defer c.mu.Unlock()
			if got := c.header.Get("Authorization"); got != tt.want {
				t.Errorf("authorization %q, want %q", got, tt.want)
			}
		})
	}
}

// An Alertmanager whose clock is ahead takes what is on for over.
func TestClockThatDiffersIsTold(t *testing.T) {
	for word, by := range map[string]time.Duration{"ahead of": time.Hour, "behind": -time.Hour} {
		t.Run(word, func(t *testing.T) {
			c := &counter{answer: func(w http.ResponseWriter) { w.Header().Set("Date", time.Now().Add(by).UTC().Format(http.TimeFormat)) }}
			server := httptest.NewServer(c)
			defer server.Close()
			r := run(t, book(t, nil), relay.Target{Name: "house", URL: server.URL})
			eventually(t, "the clock is told", func() bool { return len(r.Troubles()) == 1 })
			if problem := r.Troubles()[0].Problem; !strings.Contains(problem, "more than 2.2s "+word+" rearguard's") {
				t.Errorf("problem = %q", problem)
			}
		})
	}
}
