package broker

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"time"
)

// Config says how to reach a broker. The zero value of every optional field
// means its default.
type Config struct {
	// URL is the broker's address, mqtt://host[:1883] or mqtts://host[:8883]
	// for TLS.
	URL string
	// ClientID names the broker's session for this rearguard. It must stay
	// the same over restarts, and no other client may use it.
	ClientID string

	Login        Login
	Certificates Certificates

	// Filters are the topic filters to subscribe to.
	Filters []string
	// FilterStore remembers what the broker's session is subscribed to, so
	// that filters no longer wanted are unsubscribed after a restart. Without
	// one only changes within this process are known.
	FilterStore FilterStore

	// Availability is the topic on which the link keeps a retained "online",
	// and the broker "offline" once the link is gone (MQTT last will). The
	// link also subscribes to it, to prove now and then that what is
	// published does arrive. Empty: neither.
	Availability string

	// Note is what the link finds at the broker that was left there earlier.
	Note Note

	// MaxPayload is the largest payload handed on, in bytes; larger ones are
	// acknowledged, counted and noted in Unusable. Default 64 KiB.
	MaxPayload int
	// Buffer is how many messages may wait for the receiver; the package
	// comment has the reasoning. Default 2048.
	Buffer int
	// Unusable collects oversize messages. May be nil.
	Unusable *Ring

	// KeepAlive is the MQTT keep-alive interval, whole seconds. Default 30 s.
	KeepAlive time.Duration
	// Timeout bounds connecting, and waiting for any one answer of the
	// broker. Default 10 s.
	Timeout time.Duration
	// RetryMin and RetryMax bound the pause between connection attempts,
	// which doubles and is drawn at random below that. Default 500 ms, 30 s.
	RetryMin, RetryMax time.Duration
	// StableAfter is how long a connection must last to count as good.
	// Default 1 minute.
	StableAfter time.Duration
	// ProbeEvery is the interval of the check on Availability. Default 1 minute.
	ProbeEvery time.Duration
	// DrainTimeout is how long a closing link waits for its messages to be
	// acknowledged. Default 5 s.
	DrainTimeout time.Duration

	// Clock stamps received messages and state changes. Default time.Now.
	Clock func() time.Time
}

// Note is a message that rearguard leaves at the broker for itself. The zero
// value is for none.
type Note struct {
	// Topic is where it is retained. The link subscribes to it.
	Topic string
	// Found is given the payload that the broker had retained, whenever the
	// link subscribes. It is called on the goroutine that receives, and must
	// not wait.
	Found func(body []byte)
}

// Login is the account at the broker. The zero value is for a broker that asks
// for none.
type Login struct {
	// Username is sent when not empty. The password comes from the first of
	// Password, PasswordFile (whole file, without a line end) and PasswordEnv
	// (name of an environment variable) that is set; the file is read again
	// for each connection.
	Username     string
	Password     string
	PasswordFile string
	PasswordEnv  string
}

// Certificates are for TLS. They are read again for each connection, so that
// renewed ones need no restart.
type Certificates struct {
	// CAFile holds the PEM certificates the broker's certificate must chain
	// to; the system's are used when empty. CertFile and KeyFile are this
	// client's own certificate.
	CAFile, CertFile, KeyFile string
	// ServerName is the name expected in the broker's certificate, by default
	// the URL's host.
	ServerName string
}

// withDefaults returns c with every unset optional field set.
func (c Config) withDefaults() Config {
	setDefault(&c.MaxPayload, 64<<10)
	setDefault(&c.Buffer, 2048)
	setDefault(&c.KeepAlive, 30*time.Second)
	setDefault(&c.Timeout, 10*time.Second)
	setDefault(&c.RetryMin, 500*time.Millisecond)
	setDefault(&c.RetryMax, 30*time.Second)
	setDefault(&c.StableAfter, time.Minute)
	setDefault(&c.ProbeEvery, time.Minute)
	setDefault(&c.DrainTimeout, 5*time.Second)
	if c.Clock == nil {
		c.Clock = time.Now //nolint:forbidigo // the receive stamp is where wall time enters
	}
	return c
}

func setDefault[T int | time.Duration](field *T, value T) {
	if *field == 0 {
		*field = value
	}
}

// ConfigError is a fault in a Config. Validate joins all that it finds.
type ConfigError struct {
	// Field is the name of the faulty field of Config.
	Field  string
	Reason string
}

func (e *ConfigError) Error() string { return e.Field + ": " + e.Reason }

// Validate reports everything wrong with c that can be known without the
// network and without opening the files it names.
func (c Config) Validate() error {
	var faults []error
	fault := func(field, format string, args ...any) {
		faults = append(faults, &ConfigError{field, fmt.Sprintf(format, args...)})
	}
	_, secure, err := address(c.URL)
	if err != nil {
		fault("URL", "%v", err)
	}
	switch {
	case c.ClientID == "":
		fault("ClientID", "a fixed client id is wanted: the broker keeps undelivered messages under it")
	case len(c.ClientID) > maxString || strings.ContainsRune(c.ClientID, 0):
		fault("ClientID", "not a valid MQTT client id")
	}
	if a := c.Login; a.Username == "" && (a.Password != "" || a.PasswordFile != "" || a.PasswordEnv != "") {
		fault("Username", "a password without a user name")
	}
	if (c.Certificates.CertFile == "") != (c.Certificates.KeyFile == "") {
		fault("CertFile", "a client certificate needs both its certificate and its key file")
	}
	if t := c.Certificates; err == nil && !secure && (t.CAFile != "" || t.CertFile != "" || t.ServerName != "") {
		fault("URL", "certificates are given, but %s is not encrypted; use mqtts://", c.URL)
	}
	for _, f := range c.Filters {
		if err := checkFilter(f); err != nil {
			fault("Filters", "%v", err)
		}
	}
	if c.Availability != "" {
		if err := checkTopic(c.Availability); err != nil {
			fault("Availability", "%v", err)
		}
	}
	if c.Note.Topic != "" {
		if err := checkTopic(c.Note.Topic); err != nil {
			fault("Note", "%v", err)
		}
	}
	if c.MaxPayload < 0 || c.MaxPayload > maxPacket {
		fault("MaxPayload", "%d is outside 1 to %d bytes", c.MaxPayload, maxPacket)
	}
	if c.Buffer < 0 || c.Buffer > 1<<20 {
		fault("Buffer", "%d is outside 1 to %d messages", c.Buffer, 1<<20)
	}
	for name, d := range map[string]time.Duration{
		"KeepAlive": c.KeepAlive, "Timeout": c.Timeout, "RetryMin": c.RetryMin, "RetryMax": c.RetryMax,
		"StableAfter": c.StableAfter, "ProbeEvery": c.ProbeEvery, "DrainTimeout": c.DrainTimeout,
	} {
		if d < 0 {
			fault(name, "%v is negative", d)
		}
	}
	if c.KeepAlive%time.Second != 0 || c.KeepAlive > 65535*time.Second {
		fault("KeepAlive", "%v is not a whole number of seconds up to 65535", c.KeepAlive)
	}
	return errors.Join(faults...)
}

// address splits a broker URL into the host and port to dial.
func address(raw string) (hostPort string, secure bool, err error) {
	u, err := url.Parse(raw)
	if err != nil {
		// The text of a url.Error repeats the URL, which may hold a password.
		return "", false, errors.New("not a URL (want mqtt://host or mqtts://host)")
	}
	port := "1883"
	switch u.Scheme {
	case "mqtt", "tcp":
	case "mqtts", "ssl", "tls":
		secure, port = true, "8883"
	default:
		return "", false, fmt.Errorf("unknown scheme %q (want mqtt://host or mqtts://host)", u.Scheme)
	}
	switch {
	case u.User != nil:
		return "", false, errors.New("credentials do not belong in the URL; use a user name and a password file")
	case u.Hostname() == "":
		return "", false, errors.New("no host (want mqtt://host or mqtts://host)")
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		return "", false, errors.New("nothing may follow the host and port")
	}
	if p := u.Port(); p != "" {
		port = p
	}
	return net.JoinHostPort(u.Hostname(), port), secure, nil
}

// password reads the password.
func (a *Login) password() (string, error) {
	switch {
	case a.Password != "":
		return a.Password, nil
	case a.PasswordFile != "":
		b, err := os.ReadFile(a.PasswordFile)
		if err != nil {
			return "", fmt.Errorf("read password file: %w", err)
		}
		return strings.TrimRight(string(b), "\r\n"), nil
	case a.PasswordEnv != "":
		p, ok := os.LookupEnv(a.PasswordEnv)
		if !ok {
			return "", fmt.Errorf("environment variable %s, which should hold the password, is not set", a.PasswordEnv)
		}
		return p, nil
	}
	return "", nil
}

// config reads the certificates for a connection to host.
func (c *Certificates) config(host string) (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if c.ServerName != "" {
		t.ServerName = c.ServerName
	}
	if c.CAFile != "" {
		pem, err := os.ReadFile(c.CAFile)
		if err != nil {
			return nil, fmt.Errorf("read CA file: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("read CA file: no PEM certificate in %s", c.CAFile)
		}
	}
	if c.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("read client certificate: %w", err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return t, nil
}
