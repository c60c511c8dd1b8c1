package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"rearguard/alerts"
)

// smtpStepLimit bounds connecting, and each later step, of one delivery.
const smtpStepLimit = 20 * time.Second

// Encryption says how a mail server is spoken to.
type Encryption string

// The ways to speak to a mail server. STARTTLS is demanded, never dropped
// when the server does not offer it.
const (
	STARTTLS    Encryption = "starttls"
	ImplicitTLS Encryption = "implicit"
	Unencrypted Encryption = "none"
)

// EmailConfig says how to hand on e-mail.
type EmailConfig struct {
	Host       string
	Port       int
	Encryption Encryption
	// Username is empty for a server that asks for none.
	Username string
	Password func() (string, error)
	From     string
	// Roots vouch for the server; nil stands for those of the system.
	Roots *x509.CertPool
	// Addresses maps people to their addresses.
	Addresses map[string]string
}

// Email sends notices by SMTP, one connection for each.
type Email struct {
	config EmailConfig
	domain string
}

// NewEmail builds the channel; nothing is connected yet.
func NewEmail(c EmailConfig) *Email {
	_, domain, _ := strings.Cut(c.From, "@")
	return &Email{config: c, domain: domain}
}

// Send hands the message to the mail server. That nobody knows an address of
// the recipient, and what the server says of this message or its addressee
// with a 5xx code, is final; a refused login is not, since it can be mended.
func (e *Email) Send(ctx context.Context, m Message) error {
	address := e.config.Addresses[m.Notice.Recipient]
	if address == "" {
		return Permanent(fmt.Errorf("no e-mail address of %s is configured", m.Notice.Recipient))
	}
	message, err := e.compose(m, address)
	if err != nil {
		return Permanent(err)
	}
	client, err := e.client(ctx)
	if err != nil {
		return err
	}
	connection, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		// Also a refused password is tried again: it can be mended, and the
		// alarm must not be lost meanwhile.
		return fmt.Errorf("connect to mail server %s: %w", e.config.Host, err)
	}
	err = client.SendWithSMTPClient(connection, message)
	// The server has taken the message or not; how the farewell goes changes
	// nothing.
	_ = client.CloseWithSMTPClient(connection)
	if message.IsDelivered() {
		return nil
	}
	return classify(e.config.Host, err)
}

// classify tells what can be tried again: all but what the server says of
// this message or its addressee with a 5xx code (RFC 5321 section 4.2.1).
// 530 to 539 speak of the login (RFC 4954 section 6) and can be mended.
func classify(host string, err error) error {
	if err == nil {
		return fmt.Errorf("mail server %s did not confirm the message", host)
	}
	wrapped := fmt.Errorf("mail server %s: %w", host, err)
	code := 0
	var send *mail.SendError
	var protocol *textproto.Error
	switch {
	case errors.As(err, &send):
		code = send.ErrorCode()
		if send.Reason == mail.ErrSMTPRcptTo && code >= 400 {
			// A full mailbox, or a server that makes strangers wait.
			wrapped = OfRecipient(wrapped)
		}
	case errors.As(err, &protocol):
		code = protocol.Code
	}
	if code >= 500 && code < 600 && code/10 != 53 {
		return Permanent(wrapped)
	}
	return wrapped
}

func (e *Email) client(ctx context.Context) (*mail.Client, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: e.config.Roots, ServerName: e.config.Host}
	options := []mail.Option{
		mail.WithPort(e.config.Port), mail.WithTimeout(smtpStepLimit), mail.WithTLSConfig(config),
		mail.WithoutNoop(), mail.WithoutRset(),
		mail.WithDialContextFunc(func(dialing context.Context, network, address string) (net.Conn, error) {
			return e.dial(ctx, dialing, network, address, config)
		}),
	}
	policy := mail.NoTLS
	if e.config.Encryption == STARTTLS {
		policy = mail.TLSMandatory
	}
	options = append(options, mail.WithTLSPolicy(policy))
	if e.config.Username != "" {
		password, err := e.config.Password()
		if err != nil {
			return nil, err
		}
		options = append(options, mail.WithUsername(e.config.Username), mail.WithPassword(password),
			mail.WithOpportunisticSMTPAuth(mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthSCRAMSHA1, mail.SMTPAuthPlain, mail.SMTPAuthLogin))
	}
	client, err := mail.NewClient(e.config.Host, options...)
	if err != nil {
		return nil, fmt.Errorf("prepare mail client: %w", err)
	}
	return client, nil
}

// dial connects so that the end of ctx also ends an exchange under way; the
// mail library itself looks at the context only while connecting.
func (e *Email) dial(ctx, dialing context.Context, network, address string, config *tls.Config) (net.Conn, error) {
	var connection net.Conn
	var err error
	if e.config.Encryption == ImplicitTLS {
		connection, err = (&tls.Dialer{Config: config}).DialContext(dialing, network, address)
	} else {
		connection, err = (&net.Dialer{}).DialContext(dialing, network, address)
	}
	if err != nil {
		return nil, err
	}
	context.AfterFunc(ctx, func() { _ = connection.Close() })
	return connection, nil
}

// compose writes the message. All news of one occurrence refers to the
// message id of its first, so that mail programs show them as one thread.
func (e *Email) compose(m Message, address string) (*mail.Msg, error) {
	message := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := message.FromFormat("rearguard", e.config.From); err != nil {
		return nil, fmt.Errorf("sender %q: %w", e.config.From, err)
	}
	if err := message.To(address); err != nil {
		return nil, fmt.Errorf("address of %s: %w", m.Notice.Recipient, err)
	}
	thread := e.messageID(m, m.Alarm.OccurrenceName())
	switch {
	case len(m.Also) > 0:
		message.SetMessageIDWithValue(e.messageID(m, webhookID(m.Notice.Key)))
	case m.Alarm.Kind == Test || m.Alarm.Kind == Raised && m.Alarm.Sequence <= firstSequence:
		message.SetMessageIDWithValue(thread)
	default:
		message.SetMessageIDWithValue(e.messageID(m, fmt.Sprintf("%s-%d", m.Alarm.OccurrenceName(), m.Alarm.Sequence)))
		message.SetGenHeader(mail.HeaderInReplyTo, "<"+thread+">")
		message.SetGenHeader(mail.HeaderReferences, "<"+thread+">")
	}
	message.SetDateWithValue(m.Now)
	message.Subject(m.Subject)
	// RFC 3834 section 5: no vacation answers to an alarm.
	message.SetGenHeader("Auto-Submitted", "auto-generated")
	message.SetGenHeader("List-Id", fmt.Sprintf("<alarms.%s>", e.domain))
	if m.Alarm.Priority >= alerts.High && (m.Alarm.Kind == Raised || m.Alarm.Kind == Reminder) {
		message.SetImportance(mail.ImportanceHigh)
	}
	message.SetBodyString(mail.TypeTextPlain, m.Body)
	return message, nil
}

// firstSequence is the sequence of the first call of an occurrence.
const firstSequence = 2

// messageID makes an id that is the same for every attempt at a notice and
// different for every person and channel.
func (e *Email) messageID(m Message, name string) string {
	return fmt.Sprintf("%s.%s@%s", name, webhookID(m.Notice.Recipient + "/" + m.Notice.Channel)[7:19], e.domain)
}
