package notify_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime/quotedprintable"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/roster"
)

// aTest is the row of a test notice to the lead.
func aTest(t *testing.T, number int64, at time.Time, channel string) notify.Notice {
	t.Helper()
	payload, err := json.Marshal(notify.AlarmNotice{
		Facility: "Moth House", Kind: notify.Test, Title: "test", Occurrence: -number, Sequence: 1, Priority: alerts.Low,
		RaisedAt: at, Time: at, Circumstances: notify.Circumstances{AskedBy: "Ines"}, Links: notify.Links{Link: "https://moths.example.org/people"},
	})
	if err != nil {
		t.Fatal(err)
	}
	return notify.Notice{
		Key: fmt.Sprintf("test/%d/lead/%s", number, channel), Occurrence: -number, Priority: alerts.Low, Channel: channel, Recipient: "lead",
		Payload: payload, CreatedAt: at, DueAt: at, State: notify.Pending,
	}
}

// keeper is a channel that keeps what it is given.
type keeper struct {
	mu   sync.Mutex
	got  []notify.Message
	fail error
}

func (k *keeper) Send(_ context.Context, m notify.Message) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.got = append(k.got, m)
	return k.fail
}

// links are a stand-in for what signs links.
func links(n notify.Notice, a notify.AlarmNotice, now time.Time) string {
	return fmt.Sprintf("https://moths.example.org/n/%s-%d-%d", n.Recipient, a.Occurrence, now.Unix())
}

// workWith runs a worker in a bubble for a time.
func workWith(o notify.Outbox, channels map[string]notify.Channel, lines []roster.Line, d time.Duration) {
	options := notify.Options{Now: time.Now, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler), Answer: links}
	if lines != nil {
		options.Roster = func() *roster.Roster { return &roster.Roster{Lines: lines} }
	}
	w := notify.NewWorker(o, channels, options)
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	w.Run(ctx)
}

// The address to answer at is made when the notice is sent, for whom it is sent
// to, and stands in nothing that is kept.
func TestAnswerIsMadeAtDelivery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(append(at(t, notify.Raised, 2, 0, []string{"lead", "keeper"}, "mail"), at(t, notify.Cleared, 3, 0, []string{"vet"}, "mail")...)...)
		box := &keeper{}
		workWith(o, map[string]notify.Channel{"mail": box}, nil, time.Minute)
		said := map[string]string{}
		for _, m := range box.got {
			said[m.Notice.Recipient] = m.Alarm.Answer
			if text := m.Body; m.Alarm.Answer != "" && !strings.Contains(text, "I am going, I have it, or quiet for a while: "+m.Alarm.Answer+"\n") || strings.Contains(text, "Acknowledge:") {
				t.Errorf("to %s: %s", m.Notice.Recipient, text)
			}
		}
		want := map[string]string{
			"lead": "https://moths.example.org/n/lead-42-946684800", "keeper": "https://moths.example.org/n/keeper-42-946684800", "vet": "",
		}
		if diff := gocmp.Diff(want, said); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
		for _, row := range o.all(func(notify.Notice) bool { return true }) {
			if strings.Contains(string(row.Payload), "/n/") {
				t.Errorf("the outbox keeps %s", row.Payload)
			}
		}
	})
}

// A test is never told together with alarms or other tests, comes after alarms,
// goes to no other channel, and is tried for a day.
func TestTestsKeepToTheirChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var rows []notify.Notice
		rows = append(rows, aTest(t, 1, epoch(), "mail"), aTest(t, 2, epoch(), "pager"))
		for k := range 7 {
			n := heat(notify.Raised, 2, epoch())
			n.Occurrence, n.RaisedAt, n.Priority = int64(100+k), epoch(), alerts.Low
			rows = append(rows, plan(t, n, []string{"lead"}, "mail")...)
		}
		o := newOutbox(rows...)
		box, pager := &keeper{}, &keeper{fail: notify.Permanent(errors.New("no such number"))}
		workWith(o, map[string]notify.Channel{"mail": box, "pager": pager}, []roster.Line{{People: []string{"lead"}, Channels: []string{"pager", "mail"}}}, time.Hour)
		var told []string
		for _, m := range box.got {
			told = append(told, fmt.Sprint(m.Alarm.Kind, " ", len(m.Also)))
		}
		if diff := gocmp.Diff([]string{"raised 6", "test 0"}, told); diff != "" {
			t.Errorf("told (-want +got):\n%s", diff)
		}
		if len(pager.got) != 1 || o.states()[2] != notify.Dead || o.reasons[2] != "no such number" || len(o.rows) != 9 {
			t.Errorf("the pager was tried %d times, %s: %s", len(pager.got), o.states()[2], o.reasons[2])
		}
	})
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(aTest(t, 1, epoch(), "mail"))
		box := &keeper{fail: errors.New("connection refused")}
		workWith(o, map[string]notify.Channel{"mail": box}, nil, 48*time.Hour)
		last := box.got[len(box.got)-1].Now.Sub(epoch())
		if o.states()[1] != notify.Dead || last < 24*time.Hour || last > 26*time.Hour {
			t.Errorf("%s, tried for %v", o.states()[1], last)
		}
	})
}

// What a person reads of a test, by mail and in what a receiver of calls gets.
func TestWordsOfATest(t *testing.T) {
	m := startMail(t, notify.Unencrypted)
	config := m.config()
	config.Username = ""
	var body []byte
	server := httptest.NewTLSServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { body, _ = io.ReadAll(r.Body) }))
	defer server.Close()
	o := newOutbox(aTest(t, 3, begin, "mail"), aTest(t, 4, begin, "hook"))
	w := notify.NewWorker(o, map[string]notify.Channel{"mail": notify.NewEmail(config), "hook": webhook(server, server.URL, "s3cret")}, notify.Options{
		Now: func() time.Time { return begin }, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler), Answer: links,
	})
	w.InTurn()(t.Context())
	if len(m.messages()) != 1 {
		t.Fatal("no mail")
	}
	got, err := mail.ReadMessage(strings.NewReader(string(m.messages()[0].message)))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(quotedprintable.NewReader(got.Body))
	if err != nil {
		t.Fatal(err)
	}
	link := links(notify.Notice{Recipient: "lead"}, notify.AlarmNotice{Occurrence: -3}, begin)
	want := `Test from Moth House: nothing is wrong
Tap to say that this arrived.
Asked for by Ines, Tue 14 Jan 01:14 UTC.

It arrived: ` + link + `
This link is for one person alone, and good for a day.
Moth House
`
	if diff := gocmp.Diff(want, strings.ReplaceAll(string(text), "\r\n", "\n")); diff != "" {
		t.Errorf("mail (-want +got):\n%s", diff)
	}
	if got.Header.Get("Subject") != "Test from Moth House: nothing is wrong" || got.Header.Get("In-Reply-To") != "" || got.Header.Get("Importance") != "" {
		t.Errorf("header %v", got.Header)
	}
	var call struct {
		Type string
		Data struct {
			State, Headline, Priority, Link string
			AnswerLink                      string `json:"answer_link"`
		}
	}
	if err := json.Unmarshal(body, &call); err != nil {
		t.Fatal(err)
	}
	if d := call.Data; call.Type != "test" || d.State != "normal" || d.Headline != "Test from Moth House: nothing is wrong" || d.AnswerLink != strings.ReplaceAll(link, "--3-", "--4-") || d.Link != "https://moths.example.org/people" {
		t.Errorf("call %s", body)
	}
}

// A phone shows buttons where there is something to answer, and is woken by a
// test as by an alarm.
func TestButtonsBesideAMessage(t *testing.T) {
	for _, tt := range []struct {
		kind    notify.Kind
		answer  string
		link    string
		urgency string
		buttons []string
	}{
		{notify.Raised, "https://x/n/T", "https://x/n/T", "high", []string{"going I am going", "have I have it"}},
		{notify.Raised, "", "https://rearguard.example.org/alarms/42", "high", nil},
		{notify.Cleared, "", "https://rearguard.example.org/alarms/42", "low", nil},
		{notify.Test, "https://x/n/T", "https://x/n/T", "high", []string{"arrived It arrived"}},
	} {
		p := newPushed(t)
		p.phone(http.StatusCreated, "")
		n := heat(tt.kind, 2, begin)
		n.Answer = tt.answer
		m := message(t, n, begin)
		if tt.kind == notify.Test {
			m.Alarm.Priority = alerts.Low
		}
		if err := p.channel.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		d := <-p.service.Deliveries
		var got struct {
			Link    string
			Actions []struct{ Action, Title string }
		}
		if err := json.Unmarshal(d.Payload, &got); err != nil {
			t.Fatal(err)
		}
		var buttons []string
		for _, a := range got.Actions {
			buttons = append(buttons, a.Action+" "+a.Title)
		}
		if got.Link != tt.link || !slices.Equal(buttons, tt.buttons) || d.Header.Get("Urgency") != tt.urgency {
			t.Errorf("%s: %s, urgency %s", tt.kind, d.Payload, d.Header.Get("Urgency"))
		}
	}
}
