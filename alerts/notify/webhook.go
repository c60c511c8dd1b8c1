package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"rearguard/alerts/notify/letter"
)

const (
	secretPrefix    = "whsec_"
	webhookIDLength = 16
)

// WebhookConfig says where to call and how to sign.
type WebhookConfig struct {
	URL string
	// Secret returns the signing secret. One that starts with whsec_ is
	// base64 after that, any other is taken as it is. Nil is not to sign.
	Secret func() (string, error)
	// Template writes the call; nil stands for the JSON body of webhookBody.
	Template *Template
	// Contacts are the people that Template can name.
	Contacts []Contact
	// Roots vouch for the server; nil stands for those of the system.
	Roots *x509.CertPool
}

// Webhook calls an address with a signed body, JSON unless a template says
// otherwise, after the Standard Webhooks scheme: headers webhook-id,
// webhook-timestamp and webhook-signature, the last being "v1," and the base64
// HMAC-SHA256 of "id.timestamp.body".
type Webhook struct {
	config WebhookConfig
	client *http.Client
}

// NewWebhook builds the channel; nothing is called yet.
func NewWebhook(c WebhookConfig) *Webhook {
	return &Webhook{config: c, client: NewHTTPClient(c.Roots)}
}

// webhookBody is the body of a call. It is a contract with receivers and
// therefore apart from the form in which the outbox keeps notices.
type webhookBody struct {
	// Type is "alarm." and the kind of news, or "test" for no news of an alarm.
	Type      string      `json:"type"`
	Timestamp time.Time   `json:"timestamp"`
	Data      webhookData `json:"data"`
}

type webhookData struct {
	Facility string `json:"facility"`
	Invented bool   `json:"invented,omitempty"`
	// State is "active" or "normal". Sequence grows within an occurrence, so
	// that a receiver can drop what is out of date.
	State      string    `json:"state"`
	Occurrence int64     `json:"occurrence"`
	RaisedAt   time.Time `json:"raised_at"`
	Sequence   int64     `json:"sequence"`
	Recipient  string    `json:"recipient"`
	Condition  string    `json:"condition"`
	Room       string    `json:"room"`
	RoomName   string    `json:"room_name"`
	Subject    string    `json:"subject"`
	Priority   string    `json:"priority"`
	Title      string    `json:"title"`
	// Number is absent when the condition has no value.
	Number *webhookNumber `json:"number,omitempty"`
	Detail string         `json:"detail"`
	webhookAdvice
	// Headline and Text are what a person reads, ready for a short message
	// and for a mail.
	Headline string `json:"headline"`
	Text     string `json:"text"`
	// Also are the other alarms that the text tells of.
	Also []webhookAlso `json:"also,omitempty"`
}

// webhookAlso is what a receiver that follows alarms needs of one that is told
// together with others.
type webhookAlso struct {
	Type       string    `json:"type"`
	State      string    `json:"state"`
	Occurrence int64     `json:"occurrence"`
	RaisedAt   time.Time `json:"raised_at"`
	Sequence   int64     `json:"sequence"`
	Condition  string    `json:"condition"`
	Room       string    `json:"room"`
	Subject    string    `json:"subject"`
	Priority   string    `json:"priority"`
	Title      string    `json:"title"`
}

func alsoOf(a AlarmNotice) webhookAlso {
	also := webhookAlso{
		Type: "alarm." + string(a.Kind), State: "active", Occurrence: a.Occurrence, RaisedAt: a.RaisedAt, Sequence: a.Sequence,
		Condition: string(a.Key.Condition), Room: string(a.Key.Room), Subject: a.Key.Subject, Priority: a.Priority.String(), Title: a.Reader().Word(a.Title),
	}
	if a.Ended() {
		also.State = "normal"
	}
	return also
}

// webhookAdvice is what to do, by when, and where to acknowledge. Its keys
// stand among those of webhookData.
type webhookAdvice struct {
	Cause                string    `json:"cause"`
	Consequence          string    `json:"consequence"`
	FirstAction          string    `json:"first_action"`
	TimeToRespondSeconds float64   `json:"time_to_respond_seconds"`
	Due                  time.Time `json:"due,omitzero"`
	Link                 string    `json:"link,omitempty"`
	// AnswerLink is for the recipient alone, who needs no password there.
	AnswerLink string `json:"answer_link,omitempty"`
}

type webhookNumber struct {
	Value float64 `json:"value"`
	Limit float64 `json:"limit"`
	Unit  string  `json:"unit"`
}

// Send calls the address. Any answer with a 2xx code has taken the message,
// 410 says that nothing will ever be taken, and how long a Retry-After is
// obeyed depends on how urgent the alarm is.
func (h *Webhook) Send(ctx context.Context, m Message) error {
	c, err := h.write(&m)
	if err != nil {
		return err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, h.config.URL, bytes.NewReader(c.body))
	if err != nil {
		return fmt.Errorf("call webhook: %w", err)
	}
	request.Header.Set("User-Agent", "rearguard")
	maps.Copy(request.Header, c.header)
	id := webhookID(m.Notice.Key)
	stamp := strconv.FormatInt(m.Now.Unix(), 10)
	request.Header.Set("webhook-id", id)
	request.Header.Set("webhook-timestamp", stamp)
	if h.config.Secret != nil {
		secret, err := h.config.Secret()
		if err != nil {
			return err
		}
		signature, err := Sign(secret, id, stamp, c.body)
		if err != nil {
			return err
		}
		request.Header.Set("webhook-signature", signature)
	}
	_, err = Exchange(h.client, request, "webhook", m.Now, c.secrets...)
	return err
}

// write writes the call for a message.
func (h *Webhook) write(m *Message) (call, error) {
	if h.config.Template == nil {
		body, err := json.Marshal(webhookBodyOf(m))
		if err != nil {
			return call{}, Permanent(fmt.Errorf("encode webhook body: %w", err))
		}
		return call{body: body, header: http.Header{"Content-Type": {"application/json"}}}, nil
	}
	to := Contact{ID: m.Notice.Recipient}
	if i := slices.IndexFunc(h.config.Contacts, func(c Contact) bool { return c.ID == to.ID }); i >= 0 {
		to = h.config.Contacts[i]
	}
	data := templateDataOf(m, to)
	c, err := h.config.Template.write(&data)
	var mistake *TemplateError
	if errors.As(err, &mistake) {
		return call{}, Permanent(err)
	}
	return c, err
}

func webhookBodyOf(m *Message) webhookBody {
	a, r := m.Alarm, m.Alarm.Reader()
	data := webhookData{
		Facility: a.Facility, Invented: a.Invented, State: "active",
		Occurrence: a.Occurrence, RaisedAt: a.RaisedAt, Sequence: a.Sequence, Recipient: m.Notice.Recipient,
		Condition: string(a.Key.Condition), Room: string(a.Key.Room), RoomName: a.RoomName, Subject: a.Key.Subject,
		Priority: a.Priority.String(), Title: r.Word(a.Title), Detail: letter.OneLine(r.Say(a.Detail)),
		webhookAdvice: webhookAdvice{
			Cause: r.Word(a.Cause), Consequence: r.Word(a.Consequence), FirstAction: r.Word(a.FirstAction),
			TimeToRespondSeconds: a.TimeToRespond.Seconds(), Due: a.Due, Link: a.Link, AnswerLink: a.Answer,
		},
		Headline: m.Subject, Text: m.Body,
	}
	if a.Ended() || a.Kind == Test {
		data.State = "normal"
	}
	if a.Unit != "" {
		data.Number = &webhookNumber{Value: a.Value, Limit: a.Limit, Unit: a.Unit}
	}
	for _, n := range m.Also {
		data.Also = append(data.Also, alsoOf(n))
	}
	what := "alarm." + string(a.Kind)
	if a.Kind == Test {
		what = string(Test)
	}
	return webhookBody{Type: what, Timestamp: a.Time, Data: data}
}

// webhookID is the idempotency key. It is hashed since the scheme joins its
// parts with dots, which ids of people may hold.
func webhookID(key string) string {
	sum := sha256.Sum256([]byte(key))
	return "notice_" + hex.EncodeToString(sum[:webhookIDLength])
}

// Sign is the signature of a call with an id, a time in seconds since 1970 and a
// body. A secret that starts with whsec_ is base64 after that.
func Sign(secret, id, stamp string, body []byte) (string, error) {
	key, err := signingKey(secret)
	if err != nil {
		return "", err
	}
	return "v1," + sign(key, id, stamp, body), nil
}

func signingKey(secret string) ([]byte, error) {
	encoded, ok := strings.CutPrefix(secret, secretPrefix)
	if !ok {
		return []byte(secret), nil
	}
	key, err := base64.StdEncoding.DecodeString(encoded)
	if err != nil {
		return nil, fmt.Errorf("the webhook secret is not base64 after %s", secretPrefix)
	}
	return key, nil
}

func sign(key []byte, id, stamp string, body []byte) string {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(id + "." + stamp + "."))
	mac.Write(body)
	return base64.StdEncoding.EncodeToString(mac.Sum(nil))
}
