package notify_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/google/go-cmp/cmp"

	"rearguard/alerts/notify"
)

// mailServer is a real SMTP server on the loopback. Refuse, if set, is asked
// at every stage and answers with an SMTP error.
type mailServer struct {
	port     int
	config   func() notify.EmailConfig
	mu       sync.Mutex
	received []received
	refuse   func(stage string) error
}

type received struct {
	from, to, login string
	encrypted       bool
	message         []byte
}

type mailSession struct {
	server *mailServer
	conn   *smtp.Conn
	now    received
}

func (s *mailSession) Reset()        {}
func (s *mailSession) Logout() error { return nil }

func (s *mailSession) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s *mailSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, username, password string) error {
		if username != "rearguard" || password != "s3cret" {
			return errors.New("wrong username or password")
		}
		s.now.login = username
		return nil
	}), nil
}

func (s *mailSession) Mail(from string, _ *smtp.MailOptions) error {
	_, s.now.encrypted = s.conn.TLSConnectionState()
	s.now.from = from
	return s.server.ask("mail")
}

func (s *mailSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.now.to = to
	return s.server.ask("rcpt")
}

func (s *mailSession) Data(r io.Reader) error {
	text, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if err := s.server.ask("data"); err != nil {
		return err
	}
	s.now.message = text
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	s.server.received = append(s.server.received, s.now)
	return nil
}

func (m *mailServer) ask(stage string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.refuse == nil {
		return nil
	}
	return m.refuse(stage)
}

func (m *mailServer) messages() []received {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.received)
}

func startMail(t *testing.T, encryption notify.Encryption) *mailServer {
	t.Helper()
	// Borrow the certificate for 127.0.0.1 that the HTTP test server makes.
	https := httptest.NewTLSServer(http.NotFoundHandler())
	https.Close()
	certificates := &tls.Config{Certificates: https.TLS.Certificates, MinVersion: tls.VersionTLS12}
	m := &mailServer{}
	server := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) {
		return &mailSession{server: m, conn: c}, nil
	}))
	server.Domain = "localhost"
	server.ErrorLog = quiet{}
	if encryption != notify.Unencrypted {
		server.TLSConfig = certificates
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m.port = listener.Addr().(*net.TCPAddr).Port
	if encryption == notify.ImplicitTLS {
		listener = tls.NewListener(listener, certificates)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(listener) }()
	// The server knows the listener only once Serve has begun, so both are closed.
	t.Cleanup(func() { _ = server.Close(); _ = listener.Close(); <-done })
	m.config = func() notify.EmailConfig {
		return notify.EmailConfig{
			Host: "127.0.0.1", Port: m.port, Encryption: encryption, Username: "rearguard",
			Password: func() (string, error) { return "s3cret", nil },
			From:     "rearguard@example.org", Roots: roots(https), Addresses: map[string]string{"lead": "lead@example.org"},
		}
	}
	return m
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

func TestEmailArrivesWhole(t *testing.T) {
	for _, encryption := range []notify.Encryption{notify.STARTTLS, notify.ImplicitTLS} {
		t.Run(string(encryption), func(t *testing.T) {
			server := startMail(t, encryption)
			m := message(t, heat(notify.Raised, 2, begin), begin)
			if err := notify.NewEmail(server.config()).Send(t.Context(), m); err != nil {
				t.Fatal(err)
			}
			got := server.messages()
			if len(got) != 1 || !got[0].encrypted || got[0].login != "rearguard" || got[0].from != "rearguard@example.org" || got[0].to != "lead@example.org" {
				t.Fatalf("received %+v", got)
			}
			parsed := parseMail(t, got[0].message)
			for header, want := range map[string]string{
				"Subject": "Nursery: too hot 36.4 °C, act within 1 h", "Auto-Submitted": "auto-generated",
				"List-Id": "<alarms.example.org>", "To": "<lead@example.org>", "From": `"rearguard" <rearguard@example.org>`,
			} {
				if got := parsed.header(t, header); got != want {
					t.Errorf("%s = %q, want %q", header, got, want)
				}
			}
			if diff := cmp.Diff(m.Body, strings.ReplaceAll(parsed.body, "\r\n", "\n")); diff != "" {
				t.Errorf("body (-want +got):\n%s", diff)
			}
			if date, err := parsed.Header.Date(); err != nil || !date.Equal(begin) {
				t.Errorf("date = %v, %v", date, err)
			}
		})
	}
}

type parsedMail struct {
	*mail.Message
	body string
}

func (p parsedMail) header(t *testing.T, name string) string {
	t.Helper()
	text, err := new(mime.WordDecoder).DecodeHeader(p.Header.Get(name))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func parseMail(t *testing.T, text []byte) parsedMail {
	t.Helper()
	m, err := mail.ReadMessage(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	kind, _, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || kind != "text/plain" {
		t.Fatalf("content type %q, %v", kind, err)
	}
	if got := m.Header.Get("Content-Transfer-Encoding"); got != "quoted-printable" {
		t.Fatalf("transfer encoding %q", got)
	}
	body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		t.Fatal(err)
	}
	return parsedMail{m, string(body)}
}

func TestEmailsOfOneOccurrenceMakeOneThread(t *testing.T) {
	server := startMail(t, notify.STARTTLS)
	email := notify.NewEmail(server.config())
	next := heat(notify.Raised, 2, begin)
	next.Occurrence, next.RaisedAt = 43, begin.Add(time.Hour)
	for _, n := range []notify.AlarmNotice{heat(notify.Raised, 2, begin), heat(notify.Raised, 2, begin), heat(notify.Cleared, 3, begin), next} {
		if err := email.Send(t.Context(), message(t, n, begin)); err != nil {
			t.Fatal(err)
		}
	}
	var mails []parsedMail
	for _, r := range server.messages() {
		mails = append(mails, parseMail(t, r.message))
	}
	id := func(i int) string { return mails[i].Header.Get("Message-ID") }
	if id(0) == "" || id(0) != id(1) {
		t.Errorf("two attempts at one notice have the ids %q and %q", id(0), id(1))
	}
	if got := mails[2].Header.Get("References"); got != id(0) || mails[2].Header.Get("In-Reply-To") != id(0) || id(2) == id(0) {
		t.Errorf("the end %q refers to %q, want %q", id(2), got, id(0))
	}
	if id(3) == id(0) || mails[3].Header.Get("References") != "" {
		t.Errorf("the next alarm is in the thread of the first: %q", id(3))
	}
}

func TestEmailFailures(t *testing.T) {
	tests := []struct {
		name      string
		stage     string
		code      int
		permanent bool
	}{
		{"no such mailbox", "rcpt", 550, true},
		{"message refused", "data", 554, true},
		{"mailbox busy", "rcpt", 450, false},
		{"greylisted", "data", 451, false},
		{"login demanded", "mail", 530, false},
		{"shutting down", "mail", 421, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			server := startMail(t, notify.STARTTLS)
			server.refuse = func(stage string) error {
				if stage != tt.stage {
					return nil
				}
				return &smtp.SMTPError{Code: tt.code, EnhancedCode: smtp.NoEnhancedCode, Message: tt.name}
			}
			err := notify.NewEmail(server.config()).Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
			if err == nil || notify.IsPermanent(err) != tt.permanent || !strings.Contains(err.Error(), tt.name) {
				t.Errorf("error = %v (permanent %v), want permanent %v", err, notify.IsPermanent(err), tt.permanent)
			}
			if got := server.messages(); len(got) != 0 {
				t.Errorf("received %d messages", len(got))
			}
		})
	}
}

func TestEmailGuardsThePassword(t *testing.T) {
	t.Run("wrong password is tried again", func(t *testing.T) {
		server := startMail(t, notify.STARTTLS)
		config := server.config()
		config.Password = func() (string, error) { return "wrong", nil }
		err := notify.NewEmail(config).Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
		if err == nil || notify.IsPermanent(err) {
			t.Errorf("error = %v, want one that is tried again", err)
		}
	})
	t.Run("server without STARTTLS gets nothing", func(t *testing.T) {
		server := startMail(t, notify.Unencrypted)
		config := server.config()
		config.Encryption = notify.STARTTLS
		err := notify.NewEmail(config).Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin))
		if err == nil || !strings.Contains(err.Error(), "STARTTLS") || len(server.messages()) != 0 {
			t.Errorf("error = %v with %d messages, want that STARTTLS is missing", err, len(server.messages()))
		}
	})
	t.Run("stranger's certificate", func(t *testing.T) {
		server := startMail(t, notify.STARTTLS)
		config := server.config()
		config.Roots = nil
		if err := notify.NewEmail(config).Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin)); err == nil || !strings.Contains(err.Error(), "certificate") {
			t.Errorf("error = %v, want that the certificate is not trusted", err)
		}
	})
	t.Run("person without address", func(t *testing.T) {
		server := startMail(t, notify.STARTTLS)
		config := server.config()
		config.Addresses = nil
		if err := notify.NewEmail(config).Send(t.Context(), message(t, heat(notify.Raised, 2, begin), begin)); !notify.IsPermanent(err) {
			t.Errorf("error = %v, want a permanent one", err)
		}
	})
}

func TestEmailStopsInTheMiddleWhenTold(t *testing.T) {
	server := startMail(t, notify.STARTTLS)
	reached, release := make(chan struct{}), make(chan struct{})
	server.refuse = func(stage string) error {
		if stage == "data" {
			close(reached)
			<-release
		}
		return nil
	}
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error, 1)
	go func() {
		failed <- notify.NewEmail(server.config()).Send(ctx, message(t, heat(notify.Raised, 2, begin), begin))
	}()
	<-reached
	cancel()
	if err := <-failed; err == nil || notify.IsPermanent(err) {
		t.Errorf("error = %v, want one that is tried again", err)
	}
	close(release)
}
