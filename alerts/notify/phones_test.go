package notify_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/push"
	"rearguard/alerts/notify/push/pushtest"
)

// phoneBook keeps the phones of people in memory.
type phoneBook struct {
	mu      sync.Mutex
	phones  map[string][]notify.Phone
	noted   []notify.Pushed
	failing error
}

func (b *phoneBook) PhonesOf(person string) []notify.Phone {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.phones[person]
}

func (b *phoneBook) NotePushed(ctx context.Context, _ time.Time, list []notify.Pushed) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.noted = append(b.noted, list...)
	return errors.Join(ctx.Err(), b.failing)
}

// pushed are real phones of the lead at a real push service.
type pushed struct {
	t       *testing.T
	service *pushtest.Service
	book    *phoneBook
	key     *push.Key
	channel *notify.Push
	log     *strings.Builder
}

func newPushed(t *testing.T) *pushed {
	t.Helper()
	p := &pushed{t: t, service: pushtest.NewService(t), book: &phoneBook{phones: map[string][]notify.Phone{}}, log: &strings.Builder{}}
	var err error
	if p.key, err = push.ReadOrCreateKey(filepath.Join(t.TempDir(), "push.key")); err != nil {
		t.Fatal(err)
	}
	sender := push.NewSender(push.Config{Key: p.key, Contact: "mailto:lead@example.org", Services: []string{"127.0.0.1"}, Roots: p.service.Roots()})
	p.channel = notify.NewPush(notify.PushConfig{Sender: sender, Phones: p.book, Logger: slog.New(slog.NewTextHandler(p.log, nil))})
	return p
}

// phone subscribes one more phone of the lead, whose push service answers so.
func (p *pushed) phone(status int, retryAfter string) *pushtest.Browser {
	p.t.Helper()
	b := p.service.Subscribe()
	if status != http.StatusCreated {
		p.service.Answer(b, status, retryAfter, "")
	}
	p.keep(b, p.key)
	return b
}

func (p *pushed) keep(b *pushtest.Browser, key *push.Key) {
	p.t.Helper()
	s, err := push.NewSubscription(b.Endpoint, b.P256dh(), b.Secret())
	if err != nil {
		p.t.Fatal(err)
	}
	sealed, err := key.Seal(s)
	if err != nil {
		p.t.Fatal(err)
	}
	id := int64(len(p.book.phones["lead"]) + 1)
	p.book.phones["lead"] = append(p.book.phones["lead"], notify.Phone{ID: id, Name: fmt.Sprintf("number %d", id), Sealed: sealed})
}

// shown is what the worker in the browser shows.
type shown struct {
	Title, Body, Tag, Link string
	Call, Stay             bool
}

func (p *pushed) next() (d pushtest.Delivery, s shown) {
	p.t.Helper()
	select {
	case d = <-p.service.Deliveries:
	default:
		p.t.Fatal("nothing arrived")
	}
	if err := json.Unmarshal(d.Payload, &s); err != nil {
		p.t.Fatal(err)
	}
	return d, s
}

func TestEveryPhoneOfThePersonGetsTheMessage(t *testing.T) {
	p := newPushed(t)
	first, second := p.phone(http.StatusCreated, ""), p.phone(http.StatusCreated, "")
	m := message(t, heat(notify.Raised, 2, begin), begin)
	if err := p.channel.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	got := map[*pushtest.Browser]bool{}
	for range 2 {
		d, s := p.next()
		got[d.Browser] = true
		if s.Title != m.Subject || s.Title+"\n"+s.Body != m.Body || s.Link != m.Alarm.Link || s.Tag == "" || !s.Call || !s.Stay || d.Header.Get("Urgency") != "high" ||
			d.Claims.Expires != begin.Add(12*time.Hour).Unix() || d.Claims.Subject != "mailto:lead@example.org" {
			t.Errorf("%+v, header %v", s, d.Header)
		}
	}
	if !got[first] || !got[second] {
		t.Error("a phone got nothing")
	}
	if diff := cmp.Diff([]notify.Pushed{{Phone: p.book.phones["lead"][0]}, {Phone: p.book.phones["lead"][1]}}, p.book.noted); diff != "" {
		t.Error(diff)
	}
}

func TestUrgencyTopicAndTime(t *testing.T) {
	p := newPushed(t)
	p.phone(http.StatusCreated, "")
	send := func(kind notify.Kind, sequence int64, priority alerts.Priority, occurrence int64, age time.Duration, also ...notify.AlarmNotice) (http.Header, shown) {
		t.Helper()
		a := heat(kind, sequence, begin)
		a.Occurrence = occurrence
		m := message(t, a, begin.Add(age))
		m.Alarm.Priority, m.Also = priority, also
		if len(also) > 0 {
			m.Notice.Key = fmt.Sprintf("together/%d", sequence)
		}
		if err := p.channel.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		d, s := p.next()
		return d.Header, s
	}
	for _, tt := range []struct {
		kind     notify.Kind
		priority alerts.Priority
		age      time.Duration
		urgency  string
		ttl      string
		call     bool
		stay     bool
	}{
		{notify.Raised, alerts.Critical, 0, "high", "259200", true, true},
		{notify.Reminder, alerts.High, time.Hour, "high", "255600", true, true},
		{notify.Raised, alerts.Medium, 0, "normal", "259200", true, false},
		{notify.Raised, alerts.Low, 0, "low", "86400", true, false},
		{notify.Cleared, alerts.Critical, 72*time.Hour - time.Second, "low", "60", false, false},
		{notify.Over, alerts.High, -time.Hour, "low", "259200", false, false},
	} {
		h, s := send(tt.kind, 2, tt.priority, 42, tt.age)
		if h.Get("Urgency") != tt.urgency || h.Get("TTL") != tt.ttl || s.Call != tt.call || s.Stay != tt.stay {
			t.Errorf("%s %s after %v: header %v, %+v", tt.kind, tt.priority, tt.age, h, s)
		}
	}
	raised, _ := send(notify.Raised, 2, alerts.High, 42, 0)
	cleared, shown := send(notify.Cleared, 3, alerts.High, 42, time.Hour)
	other, _ := send(notify.Raised, 2, alerts.High, 43, 0)
	topic := raised.Get("Topic")
	if len(topic) != push.MaxTopic || cleared.Get("Topic") != topic || shown.Tag != topic || other.Get("Topic") == topic {
		t.Errorf("topics %q and %q of one occurrence, %q of another", topic, cleared.Get("Topic"), other.Get("Topic"))
	}
	// One about several takes the place of none.
	several, _ := send(notify.Raised, 2, alerts.High, 42, 0, heat(notify.Raised, 2, begin))
	later, _ := send(notify.Raised, 4, alerts.High, 42, 0, heat(notify.Raised, 2, begin))
	if several.Get("Topic") == topic || several.Get("Topic") == later.Get("Topic") {
		t.Error("a message about several alarms replaces another")
	}
}

func TestLongMessageIsCutToWhatIsTaken(t *testing.T) {
	p := newPushed(t)
	p.phone(http.StatusCreated, "")
	for _, text := range []string{strings.Repeat("ü", 4000), strings.Repeat("\n\"", 4000), strings.Repeat("a🦋", 3000), strings.Repeat("x", 3700)} {
		m := message(t, heat(notify.Raised, 2, begin), begin)
		m.Body = text
		if err := p.channel.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		d, s := p.next()
		kept := strings.TrimSuffix(s.Body, "…")
		if len(d.Payload) > push.MaxPayload || len(d.Payload) < push.MaxPayload-12 && kept != text || !strings.HasPrefix(text, kept) || !utf8.ValidString(s.Body) {
			t.Errorf("payload of %d octets, body of %d", len(d.Payload), len(s.Body))
		}
	}
	m := message(t, heat(notify.Raised, 2, begin), begin)
	m.Subject = strings.Repeat("x", 4000)
	if err := p.channel.Send(t.Context(), m); !notify.IsPermanent(err) {
		t.Errorf("a subject too long: %v", err)
	}
}

func TestAnswersOfPushServices(t *testing.T) {
	type phone struct {
		status     int
		retryAfter string
	}
	for _, tt := range []struct {
		name      string
		phones    []phone
		permanent bool
		text      string
		gone      []int64
	}{
		{"no phone", nil, true, "no phone of lead is subscribed: open the page /phones", nil},
		{"taken", []phone{{201, ""}}, false, "", nil},
		{"one takes it, one is gone", []phone{{410, ""}, {201, ""}}, false, "", []int64{1}},
		{"one takes it, one fails", []phone{{201, ""}, {500, ""}}, false, "", nil},
		{"gone", []phone{{410, ""}}, true, "410 Gone", []int64{1}},
		{"unknown", []phone{{404, ""}}, true, "404 Not Found", []int64{1}},
		{"too large", []phone{{413, ""}}, true, "413", nil},
		{"bad request", []phone{{400, ""}}, true, "400", nil},
		{"forbidden", []phone{{403, ""}}, true, "phone number 1: the push service 127.0.0.1:", nil},
		{"too many", []phone{{429, "120"}}, false, "asked to wait 2m0s", nil},
		{"busy until a date", []phone{{503, begin.Add(90 * time.Second).Format(http.TimeFormat)}}, false, "asked to wait 1m30s", nil},
		{"busy for ages", []phone{{503, "4000000000"}}, false, "asked to wait 1h0m0s", nil},
		{"fault", []phone{{500, ""}}, false, "500", nil},
		{"the first to ask", []phone{{429, "120"}, {503, "60"}, {410, ""}}, false, "asked to wait 1m0s", []int64{3}},
		{"one did not ask", []phone{{429, "120"}, {500, ""}}, false, "500 Internal Server Error", nil},
		{"all refuse", []phone{{403, ""}, {410, ""}}, true, "403", []int64{2}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPushed(t)
			var secrets []string
			for _, phone := range tt.phones {
				b := p.phone(phone.status, phone.retryAfter)
				secrets = append(secrets, strings.TrimPrefix(b.Endpoint, p.service.URL), b.P256dh(), b.Secret())
			}
			err := p.channel.Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
			text := fmt.Sprint(err)
			if (err == nil) != (tt.text == "") || notify.IsPermanent(err) != tt.permanent || err != nil && !strings.Contains(text, tt.text) {
				t.Fatalf("error = %v (permanent %v), want %q (permanent %v)", err, notify.IsPermanent(err), tt.text, tt.permanent)
			}
			if tt.name == "one did not ask" && strings.Contains(text, "asked to wait") {
				t.Errorf("the phone that may be tried waits for the other: %v", err)
			}
			var gone []int64
			for i, n := range p.book.noted {
				if n.Gone {
					gone = append(gone, n.Phone.ID)
				}
				if (n.Failure == "") != (tt.phones[i].status == 201) {
					t.Errorf("noted %+v", n)
				}
				text += n.Failure
			}
			if diff := cmp.Diff(tt.gone, gone); diff != "" || len(p.book.noted) != len(tt.phones) {
				t.Errorf("%d noted, gone (-want +got):\n%s", len(p.book.noted), diff)
			}
			for _, secret := range secrets {
				if strings.Contains(text+p.log.String(), secret) {
					t.Errorf("%q is told", secret)
				}
			}
		})
	}
}

// A message that was taken is not sent again because nobody could note it.
func TestPushThatCannotBeNotedCounts(t *testing.T) {
	p := newPushed(t)
	p.phone(http.StatusCreated, "")
	p.book.failing = errors.New("the disk is full")
	if err := p.channel.Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin)); err != nil {
		t.Error(err)
	}
	if !strings.Contains(p.log.String(), "the disk is full") {
		t.Errorf("the log says %q", p.log)
	}
}

func TestPhoneOfAnotherKeyIsKeptAndNotTold(t *testing.T) {
	p := newPushed(t)
	other, err := push.ReadOrCreateKey(filepath.Join(t.TempDir(), "other.key"))
	if err != nil {
		t.Fatal(err)
	}
	p.keep(p.service.Subscribe(), other)
	err = p.channel.Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
	if !notify.IsPermanent(err) || !errors.Is(err, push.ErrOtherKey) || len(p.book.noted) != 1 || p.book.noted[0].Gone {
		t.Errorf("error %v, noted %+v", err, p.book.noted)
	}
}

func TestPushServiceOutOfReachIsTriedAgain(t *testing.T) {
	p := newPushed(t)
	p.phone(http.StatusCreated, "")
	p.service.Close()
	if err := p.channel.Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin)); !errors.Is(err, push.ErrUnreachable) || notify.IsPermanent(err) {
		t.Errorf("error %v", err)
	}
}

func TestTestOfAPhone(t *testing.T) {
	p := newPushed(t)
	p.phone(http.StatusCreated, "")
	asked := p.phone(http.StatusCreated, "")
	if err := p.channel.Test(t.Context(), p.book.phones["lead"][1], "Invented Moth House", "/phones?seen=abc", begin); err != nil {
		t.Fatal(err)
	}
	d, s := p.next()
	want := shown{Title: "Test from Invented Moth House", Body: "Tap this message to say that it was seen on number 2.", Tag: "test", Link: "/phones?seen=abc", Call: true}
	if diff := cmp.Diff(want, s); diff != "" || d.Browser != asked || d.Header.Get("TTL") != "3600" || d.Header.Get("Urgency") != "high" {
		t.Errorf("header %v (-want +got):\n%s", d.Header, diff)
	}
}
