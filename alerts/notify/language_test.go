package notify_test

import (
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"rearguard/alerts/notify"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/wording"
)

// Two people of one line of the roster are told of one alarm, each in their own
// language and unit, by mail and on their phones.
func TestEachPersonIsToldInTheirOwnWords(t *testing.T) {
	server := startMail(t, notify.STARTTLS)
	config := server.config()
	config.Addresses["keeper"] = "keeper@example.org"
	phones := newPushed(t)
	phones.phone(http.StatusCreated, "")
	phones.book.phones["keeper"] = phones.book.phones["lead"]
	n := heat(notify.Raised, 2, begin)
	n.Detail = wording.Say("%s, since %s", wording.Name("shelf 2"), wording.Clock(begin, begin, time.UTC))
	n.AtRisk = []letter.Cohort{{ID: "atlas-3", Species: "Atlas Moth", Stage: "pupa", Animals: 40}}
	rows, err := notify.Plan(n, calls([]string{"lead", "keeper"}, "mail", "phone"), map[string]wording.Reader{"keeper": {Language: wording.German, Scale: wording.Fahrenheit}})
	if err != nil {
		t.Fatal(err)
	}
	o := newOutbox(rows...)
	deliver := notify.NewWorker(o, map[string]notify.Channel{"mail": notify.NewEmail(config), "phone": phones.channel}, notify.Options{
		Now: func() time.Time { return begin.Add(10 * time.Minute) }, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler),
	}).InTurn()
	deliver(t.Context())
	for id, state := range o.states() {
		if state != notify.Delivered {
			t.Fatalf("notice %d is %s", id, state)
		}
	}
	mails := map[string]string{}
	subjects := map[string]string{}
	for _, received := range server.messages() {
		parsed := parseMail(t, received.message)
		mails[received.to], subjects[received.to] = strings.ReplaceAll(parsed.body, "\r\n", "\n"), parsed.header(t, "Subject")
	}
	for to, want := range map[string]struct {
		subject string
		says    []string
	}{
		"lead@example.org": {"Nursery: too hot 36.4 °C, act within 50 min", []string{
			"At risk: 1 cohort: 40 Atlas Moth (pupa)\n", "Since Tue 14 Jan 02:14 CET", "Measured: 36.4 °C, limit 35.0 °C\n", "Details: shelf 2, since 02:14\n", "Acknowledge: https://",
		}},
		"keeper@example.org": {"Nursery: zu heiß 97,6 °F, noch 50 min Zeit", []string{
			"Gefährdet: 1 Zuchtgruppe: 40 Atlas Moth (Puppe)\n", "Seit Di 14. Jan. 02:14 MEZ", "Gemessen: 97,6 °F, Grenze 95,0 °F\n", "Näheres: shelf 2, seit 02:14\n", "Bestätigen: https://",
		}},
	} {
		if subjects[to] != want.subject {
			t.Errorf("%s gets the subject %q, want %q", to, subjects[to], want.subject)
		}
		for _, words := range want.says {
			if !strings.Contains(mails[to], words) {
				t.Errorf("the mail to %s does not say %q:\n%s", to, words, mails[to])
			}
		}
	}
	titles := map[string]string{}
	for range 2 {
		_, shown := phones.next()
		first, _, _ := strings.Cut(shown.Body, "\n")
		titles[shown.Title] = first
	}
	for title, first := range map[string]string{
		"Nursery: too hot 36.4 °C, act within 50 min": "At risk: 1 cohort: 40 Atlas Moth (pupa)",
		"Nursery: zu heiß 97,6 °F, noch 50 min Zeit":  "Gefährdet: 1 Zuchtgruppe: 40 Atlas Moth (Puppe)",
	} {
		if titles[title] != first {
			t.Errorf("phones show %v, want %q with %q below", titles, title, first)
		}
	}
}
