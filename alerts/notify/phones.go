package notify

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sort"
	"strings"
	"sync"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/notify/push"
)

const (
	// testFor is how long a test waits for a phone that is off: whoever asked
	// for it looks at the phone now.
	testFor = time.Hour
	// leastTTL is how long a message that is nearly too old is kept still, so
	// that a phone on a poor network gets it.
	leastTTL = time.Minute
)

// Phone is one phone that takes messages.
type Phone struct {
	ID int64
	// Name is what its person calls it.
	Name string
	// Sealed is its push.Subscription, sealed by the key it was made with.
	Sealed []byte
}

// Phones are the subscribed phones. All methods may be called from several
// goroutines.
type Phones interface {
	// PhonesOf gives those of a person, in a fixed order.
	PhonesOf(person string) []Phone
	// NotePushed notes what came of messages to phones.
	NotePushed(ctx context.Context, at time.Time, list []Pushed) error
}

// Pushed is what came of a message to one phone.
type Pushed struct {
	Phone Phone
	// Failure says why its push service did not take the message, empty where it
	// did.
	Failure string
	// Gone is set where the phone is no longer subscribed.
	Gone bool
}

// PushConfig says how to reach phones.
type PushConfig struct {
	Sender *push.Sender
	Phones Phones
	Logger *slog.Logger
}

// Push sends notices to the phones that subscribed to rearguard's own page, by
// Web Push.
type Push struct{ config PushConfig }

// NewPush builds the channel; nothing is connected yet.
func NewPush(c PushConfig) *Push { return &Push{c} }

// Sender is what sends the messages.
func (p *Push) Sender() *push.Sender { return p.config.Sender }

// Send hands the message to the push service of every phone of the recipient.
// One that takes it is enough: the phone itself is not heard of. A person
// without a phone, and answers by which no phone can get this message, are
// final. A phone that is no longer subscribed is dropped.
func (p *Push) Send(ctx context.Context, m Message) error {
	phones := p.config.Phones.PhonesOf(m.Notice.Recipient)
	if len(phones) == 0 {
		return Permanent(fmt.Errorf("no phone of %s is subscribed: open the page /phones on the phone and subscribe it", m.Notice.Recipient))
	}
	message, err := pushMessage(m)
	if err != nil {
		return Permanent(err)
	}
	return p.tell(ctx, phones, message, m.Now)
}

// Test sends one phone a message whose tap opens link, so that a person can say
// that it was seen. Facility names the sender.
func (p *Push) Test(ctx context.Context, phone Phone, facility, link string, now time.Time) error {
	payload, err := encodePush(pushPayload{
		Title: "Test from " + facility, Body: "Tap this message to say that it was seen on " + phone.Name + ".", Tag: "test", Link: link, Call: true,
	})
	if err != nil {
		return err
	}
	return p.tell(ctx, []Phone{phone}, push.Message{Payload: payload, TTL: testFor, Urgency: push.High, Topic: "test"}, now)
}

// tell sends a message to phones side by side, notes what came of it, and
// returns nil when one of them took it.
func (p *Push) tell(ctx context.Context, phones []Phone, m push.Message, now time.Time) error {
	failures := make([]error, len(phones))
	var sending sync.WaitGroup
	for i := range phones {
		sending.Go(func() { failures[i] = p.one(ctx, phones[i], m, now) })
	}
	sending.Wait()
	outcomes := make([]Pushed, len(phones))
	for i, err := range failures {
		outcomes[i] = Pushed{Phone: phones[i], Gone: gone(err)}
		if err != nil {
			outcomes[i].Failure = err.Error()
			failures[i] = fmt.Errorf("phone %s: %w", letter.OneLine(phones[i].Name), err)
		}
	}
	// What came of it must be noted even if the sending was cut short. Where it
	// cannot be, the message has gone all the same.
	if err := p.config.Phones.NotePushed(context.WithoutCancel(ctx), now, outcomes); err != nil {
		p.config.Logger.Warn("what came of a push message could not be recorded", "error", err)
	}
	return verdict(failures, now)
}

// one sends a message to one phone.
func (p *Push) one(ctx context.Context, phone Phone, m push.Message, now time.Time) error {
	to, err := p.config.Sender.Key().Open(phone.Sealed)
	if err != nil {
		return err
	}
	return p.config.Sender.Send(ctx, to, m, now)
}

// gone reports whether a failure says that the phone is no longer subscribed. A
// key that does not fit says no such thing: the right one may be put back.
func gone(err error) bool {
	var r *push.Refusal
	return errors.As(err, &r) && r.Gone()
}

// verdict is what the failures of all phones come to: nothing where one is
// nil, final where another attempt would fare no better with any, and otherwise
// to be tried again when the first of those left asks for it.
func verdict(failures []error, now time.Time) error {
	var wait time.Duration
	asked, final, answered := true, true, false
	for _, err := range failures {
		if err == nil {
			return nil
		}
		var r *push.Refusal
		refused := errors.As(err, &r)
		answered = answered || refused
		if refused && r.Final() || !refused && !errors.Is(err, push.ErrUnreachable) {
			continue
		}
		var after time.Duration
		ok := false
		if refused {
			after, ok = parseRetryAfter(r.RetryAfter, now)
		}
		if final || after < wait {
			wait = after
		}
		asked, final = asked && ok, false
	}
	err := errors.Join(failures...)
	if answered {
		// Another person's phones have another push service.
		err = OfRecipient(err)
	}
	switch {
	case final:
		return Permanent(err)
	case asked:
		return RetryAfter(wait, err)
	}
	return err
}

// pushMessage makes the message for the phones of a person. It takes the place
// of an undelivered one about the same occurrence; a message about several
// alarms takes the place of none, since it does not tell what those before it
// told.
func pushMessage(m Message) (push.Message, error) {
	about := m.Alarm.OccurrenceName()
	if len(m.Also) > 0 {
		about = m.Notice.Key
	}
	topic := topicOf(about)
	over := m.Alarm.Ended()
	payload, err := encodePush(pushPayload{
		Title: m.Subject, Body: strings.TrimPrefix(m.Body, m.Subject+"\n"), Tag: topic, Link: cmp.Or(m.Alarm.Answer, m.Alarm.Link), Actions: actionsOf(&m.Alarm),
		Call: !over, Stay: !over && m.Alarm.Priority >= alerts.High,
	})
	if err != nil {
		return push.Message{}, err
	}
	// As long as the worker itself would have gone on trying.
	ttl := max(usefulFor(&m.Alarm)-m.Now.Sub(m.Notice.CreatedAt), leastTTL)
	return push.Message{Payload: payload, TTL: min(ttl, usefulFor(&m.Alarm)), Urgency: urgencyOf(m.Alarm), Topic: topic}, nil
}

// topicOf is the same for all news of an occurrence. It is hashed since a push
// service sees it, and to fit: 24 octets are 32 characters of base64.
func topicOf(about string) string {
	sum := sha256.Sum256([]byte(about))
	return base64.RawURLEncoding.EncodeToString(sum[:push.MaxTopic*6/8])
}

// urgencyOf is how much a message is worth of a phone's battery. That something
// is over wakes nobody.
func urgencyOf(a AlarmNotice) push.Urgency {
	switch {
	case a.Kind == Test:
		// It tries whether an alarm would get through.
		return push.High
	case a.Ended() || a.Priority < alerts.Medium:
		return push.Low
	case a.Priority < alerts.High:
		return push.Normal
	}
	return push.High
}

// pushPayload is what the worker in the browser gets; it reads these keys.
type pushPayload struct {
	Title string `json:"title"`
	Body  string `json:"body"`
	// Tag makes a message take the place of an older one on the screen.
	Tag string `json:"tag"`
	// Link is what a tap opens, empty for the overview.
	Link string `json:"link,omitempty"`
	// Actions are buttons, each of which opens Link at the button of the page
	// that it names.
	Actions []pushAction `json:"actions,omitempty"`
	// Call has the phone sound again where the message takes the place of
	// another, Stay has it on the screen until somebody acts.
	Call bool `json:"call,omitempty"`
	Stay bool `json:"stay,omitempty"`
}

// pushAction is a button beside a message.
type pushAction struct {
	Action string `json:"action"`
	Title  string `json:"title"`
}

// actionsOf are the buttons for a notice, none where there is nothing to answer.
// Phones show two.
func actionsOf(a *AlarmNotice) []pushAction {
	r := a.Reader()
	switch {
	case a.Answer == "":
		return nil
	case a.Kind == Test:
		return []pushAction{{"arrived", r.Word("It arrived")}}
	}
	return []pushAction{{"going", r.Word("I am going")}, {"have", r.Word("I have it")}}
}

// encodePush writes a payload that every push service takes: the end of a body
// that is too long is left out.
func encodePush(p pushPayload) ([]byte, error) {
	whole, err := p.encode()
	if err != nil || len(whole) <= push.MaxPayload {
		return whole, err
	}
	body := p.Body
	// The first length that is too much is one more than what fits.
	over := sort.Search(len(body), func(n int) bool {
		p.Body = strings.ToValidUTF8(body[:n], "") + "…"
		cut, err := p.encode()
		return err != nil || len(cut) > push.MaxPayload
	})
	if over == 0 {
		return nil, fmt.Errorf("a push message of %d octets is too large even without its text: at most %d", len(whole), push.MaxPayload)
	}
	p.Body = strings.ToValidUTF8(body[:over-1], "") + "…"
	return p.encode()
}

func (p pushPayload) encode() ([]byte, error) {
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	// Marks are text here and would only take more room.
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(p); err != nil {
		return nil, fmt.Errorf("encode push message: %w", err)
	}
	return bytes.TrimSpace(b.Bytes()), nil
}
