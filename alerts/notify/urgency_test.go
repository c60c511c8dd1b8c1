package notify_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/roster"
)

// urgent makes the notices of an alarm of some priority to a person.
func urgent(t *testing.T, occurrence int64, p alerts.Priority, person string, channels ...string) []notify.Notice {
	t.Helper()
	n := heat(notify.Raised, 2, time.Now())
	n.Occurrence, n.Priority, n.RaisedAt = occurrence, p, time.Now()
	n.Key.Subject = fmt.Sprint("cohort-", occurrence)
	notices, err := notify.Plan(n, calls([]string{person}, channels...), nil)
	if err != nil {
		t.Fatal(err)
	}
	return notices
}

// A server that asks to be called again at once is called with growing pauses
// all the same, and one that asks for a day is called sooner, the sooner the
// more urgent the alarm is.
func TestRetryAfterIsObeyedWithinBounds(t *testing.T) {
	for _, tt := range []struct {
		asked    string
		priority alerts.Priority
		// within an hour
		least, most int
	}{
		{"0", alerts.Critical, 12, 24},
		{"86400", alerts.Critical, 12, 13},
		{"86400", alerts.High, 12, 13},
		{"86400", alerts.Medium, 2, 3},
		{"86400", alerts.Low, 1, 2},
	} {
		t.Run(tt.asked+" "+tt.priority.String(), func(t *testing.T) {
			// What a webhook makes of the answer, by a real server.
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				w.Header().Set("Retry-After", tt.asked)
				w.WriteHeader(http.StatusServiceUnavailable)
			}))
			defer server.Close()
			hook := notify.NewWebhook(notify.WebhookConfig{URL: server.URL, Secret: func() (string, error) { return rawSecret, nil }})
			answer := hook.Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
			synctest.Test(t, func(t *testing.T) {
				o := newOutbox(urgent(t, 1, tt.priority, "lead", "hook")...)
				calls := &recorder{answer: func(int, notify.Message) error { return answer }}
				_, stop := work(o, map[string]notify.Channel{"hook": calls})
				time.Sleep(time.Hour - time.Second)
				stop()
				if n := len(calls.sendings()); n < tt.least || n > tt.most {
					t.Errorf("%d calls in an hour, want %d to %d", n, tt.least, tt.most)
				}
			})
		})
	}
}

// A channel that refuses a notice for good is not the end of it: the person's
// next channel is tried at once, and the last one is not given up.
func TestRefusedNewsGoesToTheNextChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		gone := func(int, notify.Message) error { return notify.Permanent(errors.New("410 Gone")) }
		o := newOutbox(urgent(t, 1, alerts.High, "lead", "hook")...)
		hook, mail, pager := &recorder{answer: gone}, &recorder{}, &recorder{}
		mailWorks := atomic.Bool{}
		mail.answer = func(attempt int, m notify.Message) error {
			if mailWorks.Load() {
				return nil
			}
			return gone(attempt, m)
		}
		w := notify.NewWorker(o, map[string]notify.Channel{"hook": hook, "mail": mail, "pager": pager}, notify.Options{
			Now: time.Now, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler),
			Roster: func() *roster.Roster {
				return &roster.Roster{Lines: []roster.Line{
					{People: []string{"lead"}, Channels: []string{"hook"}},
					{People: []string{"keeper"}, Channels: []string{"pager"}},
					{People: []string{"lead"}, Channels: []string{"mail"}},
				}}
			},
		})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); w.Run(ctx) }()
		synctest.Wait()
		if len(hook.sendings()) != 1 || len(mail.sendings()) != 1 || len(pager.sendings()) != 0 {
			t.Errorf("tried at once: hook %v, mail %v, another person's pager %v", hook.sendings(), mail.sendings(), pager.sendings())
		}
		if got := o.states(); got[1] != notify.Dead || got[2] != notify.Pending {
			t.Errorf("states %v, want the first dead and the last channel's pending", got)
		}
		// Somebody mends the mailbox.
		mailWorks.Store(true)
		time.Sleep(16 * time.Minute)
		if got := o.states(); got[2] != notify.Delivered || len(got) != 2 {
			t.Errorf("states %v, want the last channel's delivered", got)
		}
		cancel()
		<-done
	})
}

// A success after an outage hurries everything else that failed there.
func TestSuccessHurriesTheRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox()
		for i := range int64(21) {
			o.add(urgent(t, i+1, alerts.High, fmt.Sprint("person-", i), "hook")...)
		}
		up := time.Now().Add(time.Hour)
		hook := &recorder{answer: func(int, notify.Message) error {
			if time.Now().Before(up) {
				return errors.New("no route to host")
			}
			return nil
		}}
		w, stop := work(o, map[string]notify.Channel{"hook": hook})
		time.Sleep(time.Hour + time.Second)
		o.add(urgent(t, 99, alerts.High, "somebody", "hook")...)
		w.Wake()
		time.Sleep(time.Second)
		stop()
		for id, state := range o.states() {
			if state != notify.Delivered {
				t.Errorf("notice %d is %s a second after the channel took another", id, state)
			}
		}
	})
}

// What is critical does not wait behind what is high, and what has piled up
// for a person is one message that counts it.
func TestManyAlarmsAreOneMessageTheMostUrgentFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox()
		for i := range int64(299) {
			o.add(urgent(t, i+1, alerts.High, "lead", "pager")...)
		}
		o.add(urgent(t, 300, alerts.Critical, "lead", "pager")...)
		for i := range int64(8) {
			o.add(urgent(t, 400+i, alerts.Medium, fmt.Sprint("other-", i), "pager")...)
		}
		pager := &scribe{takes: time.Second}
		_, stop := work(o, map[string]notify.Channel{"pager": pager})
		time.Sleep(10 * time.Minute)
		stop()
		to := map[string]int{}
		for _, m := range pager.took {
			to[m.Notice.Recipient]++
		}
		if to["lead"] != 1 || len(to) != 9 {
			t.Fatalf("messages by person: %v", to)
		}
		i := slices.IndexFunc(pager.took, func(m notify.Message) bool { return m.Notice.Recipient == "lead" })
		m := pager.took[i]
		if i > 3 || m.Alarm.Priority != alerts.Critical || len(m.Also) != 299 {
			t.Errorf("message %d leads with a %v alarm and tells of %d others", i, m.Alarm.Priority, len(m.Also))
		}
		for _, want := range []string{"300 alarms: 1 critical, 299 high", "cohort-300", "- and 270 more"} {
			if !strings.Contains(m.Body, want) {
				t.Errorf("the message does not say %q:\n%s", want, m.Body)
			}
		}
		if !strings.Contains(m.Subject, "too hot 36.4 °C") || !strings.HasSuffix(m.Subject, "(+299)") {
			t.Errorf("subject %q", m.Subject)
		}
		for id, state := range o.states() {
			if state != notify.Delivered {
				t.Errorf("notice %d is %s", id, state)
			}
		}
	})
}

// Alarms that come one after the other gather too, but for critical ones.
func TestAStreamOfAlarmsIsHeldTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, pager := newOutbox(), &scribe{}
		w, stop := work(o, map[string]notify.Channel{"pager": pager})
		for i := range int64(300) {
			o.add(urgent(t, i+1, alerts.High, "lead", "pager")...)
			w.Wake()
			time.Sleep(time.Second)
		}
		o.add(urgent(t, 301, alerts.Critical, "lead", "pager")...)
		w.Wake()
		synctest.Wait()
		last := pager.took[len(pager.took)-1]
		if last.Alarm.Priority != alerts.Critical {
			t.Errorf("the critical alarm was held: %s", last.Subject)
		}
		stop()
		if n := len(pager.took); n > 12 {
			t.Errorf("%d messages for 300 alarms in five minutes", n)
		}
	})
}

// A message about many alarms that was taken and could not be marked is not
// sent again.
func TestADigestIsNotSentAgainWhenItsMarkFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox()
		for i := range int64(20) {
			o.add(urgent(t, i+1, alerts.High, "lead", "pager")...)
		}
		o.failMarks = 3
		pager := &scribe{}
		_, stop := work(o, map[string]notify.Channel{"pager": pager})
		time.Sleep(10 * time.Minute)
		stop()
		if len(pager.took) != 1 {
			t.Errorf("%d messages", len(pager.took))
		}
		for id, state := range o.states() {
			if state != notify.Delivered {
				t.Errorf("notice %d is %s", id, state)
			}
		}
	})
}

// While nothing can be recorded, what waits for a person is one message too.
func TestUnrecordedAlarmsAreHeldTogetherToo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var all []notify.Notice
		for i := range int64(40) {
			all = append(all, urgent(t, i+1, alerts.High, "lead", "pager")...)
		}
		all = append(all, urgent(t, 41, alerts.Critical, "lead", "pager")...)
		q, pager := newQueue(all...), &scribe{}
		_, stop := workUnrecorded(q, map[string]notify.Channel{"pager": pager})
		time.Sleep(time.Minute)
		stop()
		if len(pager.took) != 1 || len(q.told) != 41 || pager.took[0].Alarm.Priority != alerts.Critical {
			t.Errorf("%d messages tell of %d alarms, the first %s", len(pager.took), len(q.told), pager.took[0].Subject)
		}
	})
}
