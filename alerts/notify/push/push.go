// Package push speaks Web Push: it sends a message to a browser that subscribed
// to us, through the push service of that browser's maker, which cannot read it.
//
// What is spoken is RFC 8030 (the request), RFC 8291 with the content coding
// aes128gcm of RFC 8188 (the encryption), and RFC 8292 (VAPID: the signature by
// which a push service knows who sends). Nothing here knows of alarms.
package push

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Urgency says how much a message is worth of a sleeping phone's battery
// (RFC 8030 section 5.3).
type Urgency string

// The urgencies in use. A phone that dozes is woken for High only.
const (
	Low    Urgency = "low"
	Normal Urgency = "normal"
	High   Urgency = "high"
)

// MaxTopic is the greatest length of a topic (RFC 8030 section 5.4).
const MaxTopic = 32

const (
	// sendLimit bounds one request.
	sendLimit   = 10 * time.Second
	answerLimit = 4 << 10
	// excerptLimit is how much of an answer goes into an error, in bytes.
	excerptLimit = 200
	// mostAtOnce is how many connections to push services are kept.
	mostAtOnce = 8
)

// Message is what is sent.
type Message struct {
	// Payload is what the browser gets, up to MaxPayload octets.
	Payload []byte
	// TTL is how long the push service keeps the message for a phone that is
	// off, in whole seconds; 0 is now or never. A service may keep it for less.
	TTL     time.Duration
	Urgency Urgency
	// Topic, if set, makes the message take the place of an undelivered one
	// with the same topic: up to MaxTopic characters of the URL-safe base64.
	Topic string
}

// Config says how to send.
type Config struct {
	Key *Key
	// Contact is where the operator of a push service reaches us; see
	// CheckContact.
	Contact string
	// Services are hosts of push services beside those that are known.
	Services []string
	// Roots vouch for the push services; nil stands for those of the system.
	Roots *x509.CertPool
}

// Sender sends messages. It is safe for use by several goroutines.
type Sender struct {
	config Config
	client *http.Client
}

// NewSender builds a sender; nothing is connected yet.
func NewSender(c Config) *Sender {
	transport := &http.Transport{
		Proxy:               http.ProxyFromEnvironment,
		TLSClientConfig:     &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: c.Roots},
		TLSHandshakeTimeout: sendLimit,
		MaxIdleConns:        mostAtOnce, IdleConnTimeout: time.Minute,
		MaxResponseHeaderBytes: 64 << 10,
		ForceAttemptHTTP2:      true,
	}
	return &Sender{config: c, client: &http.Client{
		Transport: transport, Timeout: sendLimit,
		// The signature is for one origin, and the phone is subscribed at one.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// Key is the key that messages are signed with.
func (s *Sender) Key() *Key { return s.config.Key }

// ErrUnreachable says that no answer came from a push service.
var ErrUnreachable = errors.New("the push service cannot be reached")

// Send hands the message to the push service of the subscription, which has
// taken it when Send returns nil; whether the phone gets it nobody is told. An
// answer that says no is a Refusal, and none at all ErrUnreachable; any other
// error is about the message or the settings and comes back with them. Now is
// the time of sending. No error names the address or the keys of the
// subscription.
func (s *Sender) Send(ctx context.Context, to Subscription, m Message, now time.Time) error {
	once, err := newOneTime()
	if err != nil {
		return err
	}
	request, err := s.request(ctx, to, m, now, once)
	if err != nil {
		return err
	}
	answer, err := s.client.Do(request)
	if err != nil {
		// The error of the client names the address.
		var outer *url.Error
		if errors.As(err, &outer) {
			err = outer.Err
		}
		return fmt.Errorf("%w: %s: %w", ErrUnreachable, to.Host(), err)
	}
	text, readErr := io.ReadAll(io.LimitReader(answer.Body, answerLimit))
	_ = answer.Body.Close() // it was read as far as it matters
	if answer.StatusCode >= 200 && answer.StatusCode < 300 {
		return nil
	}
	r := &Refusal{Status: answer.StatusCode, Host: to.Host(), RetryAfter: answer.Header.Get("Retry-After")}
	if readErr == nil {
		r.Words = excerpt(text)
	}
	return r
}

// request makes the request of RFC 8030 section 5.
func (s *Sender) request(ctx context.Context, to Subscription, m Message, now time.Time, once oneTime) (*http.Request, error) {
	if err := s.Admits(to); err != nil {
		return nil, err
	}
	if m.TTL < 0 {
		return nil, fmt.Errorf("a message cannot be kept for %v: give a TTL of 0 or more", m.TTL)
	}
	if !topicPattern.MatchString(m.Topic) {
		return nil, fmt.Errorf("%q is no topic: use up to %d letters, digits, - and _", m.Topic, MaxTopic)
	}
	body, err := encrypt(to, m.Payload, once)
	if err != nil {
		return nil, err
	}
	authorization, err := s.config.Key.authorization(to.origin(), s.config.Contact, now)
	if err != nil {
		return nil, err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, to.endpoint, bytes.NewReader(body))
	if err != nil {
		return nil, errEndpoint
	}
	h := request.Header
	h.Set("Authorization", authorization)
	h.Set("Content-Encoding", "aes128gcm")
	h.Set("Content-Type", "application/octet-stream")
	h.Set("TTL", strconv.FormatInt(int64(m.TTL/time.Second), 10))
	h.Set("Urgency", string(m.Urgency))
	h.Set("User-Agent", "rearguard")
	if m.Topic != "" {
		h.Set("Topic", m.Topic)
	}
	return request, nil
}

// topicPattern is the alphabet of RFC 4648 section 5.
var topicPattern = regexp.MustCompile(`^[A-Za-z0-9_-]{0,32}$`)

// Refusal is an answer of a push service that says no.
type Refusal struct {
	// Status is the HTTP status, Host who answered.
	Status int
	Host   string
	// RetryAfter is the header of that name (RFC 9110 section 10.2.3), empty
	// for none.
	RetryAfter string
	// Words are the beginning of the answer, without what could be an address
	// or a key.
	Words string
}

func (r *Refusal) Error() string {
	text := fmt.Sprintf("the push service %s answered %d %s", r.Host, r.Status, http.StatusText(r.Status))
	if r.Words != "" {
		text += ": " + r.Words
	}
	return text
}

// Gone reports whether the subscription is no more: it expired, or the browser
// dropped it (RFC 8030 section 7.3).
func (r *Refusal) Gone() bool {
	return r.Status == http.StatusNotFound || r.Status == http.StatusGone
}

// Final reports whether the same message must not be sent again: it is too
// large (413), or the request is at fault. What asks for patience (408, 429) and
// faults of the service (5xx) pass.
func (r *Refusal) Final() bool {
	return r.Status >= 400 && r.Status < 500 && r.Status != http.StatusRequestTimeout && r.Status != http.StatusTooManyRequests
}

// secretish is what could be part of an address, a key or a signature.
var secretish = regexp.MustCompile(`[\w\-:%.=+~/]{32,}`)

// excerpt is the beginning of an answer on one line, without what is secret.
func excerpt(text []byte) string {
	// Cut only afterwards: the beginning of a secret is not long enough to be
	// known as one.
	line := secretish.ReplaceAllString(strings.ToValidUTF8(string(text), "�"), "…")
	line = strings.Join(strings.FieldsFunc(line, func(r rune) bool { return r <= ' ' || r == 0x7f }), " ")
	if len(line) > excerptLimit {
		line = strings.ToValidUTF8(line[:excerptLimit], "") + "…"
	}
	return line
}
