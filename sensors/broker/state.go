package broker

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"syscall"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// State is how the link stands.
type State struct {
	// Connected is set while the broker has accepted the connection.
	Connected bool
	// Subscribed is set while the broker has also granted every filter, so
	// that messages can arrive.
	Subscribed bool
	// Since is when Connected, Subscribed and Cause last changed.
	Since time.Time
	// Cause is what is wrong, for programs, and Problem for people: what it
	// is and what to do, a full sentence. Both are empty when nothing is.
	Cause   Cause
	Problem string
	// SessionLost is when the broker was last found to have forgotten the
	// session, with what it should have kept in it; zero for never yet.
	SessionLost time.Time
	// CertificateEnds is when the broker's certificate, or one that vouches for
	// it, ends; zero without TLS or before the first connection.
	CertificateEnds time.Time
}

// Cause is a kind of trouble with the broker. The zero value is none.
type Cause string

// The causes of trouble.
const (
	NeverTried   Cause = "not tried yet"
	Closing      Cause = "closing"
	Files        Cause = "files"
	Unreachable  Cause = "unreachable"
	Refused      Cause = "refused"
	TLS          Cause = "tls"
	Credentials  Cause = "credentials"
	BadClientID  Cause = "client id"
	ClientInUse  Cause = "client id in use"
	Lost         Cause = "lost"
	Subscription Cause = "subscription"
	Silent       Cause = "silent"
)

// tlsError is a failed TLS handshake, fileError a credential that cannot be
// read.
type (
	tlsError  struct{ error }
	fileError struct{ error }
)

func (e *tlsError) Unwrap() error  { return e.error }
func (e *fileError) Unwrap() error { return e.error }

// diagnose says what a failed attempt to connect means and what to do.
func diagnose(err error, c *Config) (Cause, string) {
	hostPort, secure, _ := address(c.URL)
	user := "without a user name"
	if c.Login.Username != "" {
		user = fmt.Sprintf("as user %q", c.Login.Username)
	}
	var files *fileError
	var handshake *tlsError
	var resolve *net.DNSError
	var timeout net.Error
	var remote *net.OpError
	switch {
	case errors.As(err, &files):
		return Files, fmt.Sprintf("Cannot read what is needed to log in at the broker: %v. Correct the file or the setting.", files.error)
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return Credentials, fmt.Sprintf("The broker at %s refuses the login %s. Check the user name and the password, and that the broker has this account.", hostPort, user)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return BadClientID, fmt.Sprintf("The broker at %s rejects the client id %q. Choose another one, of letters and digits.", hostPort, c.ClientID)
	case errors.Is(err, packets.ErrorRefusedServerUnavailable):
		return Refused, fmt.Sprintf("The broker at %s answers that it is not available. Look at the broker's log.", hostPort)
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		return Refused, fmt.Sprintf("The broker at %s does not speak MQTT 3.1.1. Enable that version in the broker.", hostPort)
	case errors.As(err, &handshake):
		return TLS, explainTLS(handshake.error, hostPort, c)
	case errors.As(err, &remote) && remote.Op == "remote error":
		// TLS 1.3 refuses a client certificate only after the handshake.
		return TLS, explainTLS(err, hostPort, c)
	case errors.As(err, &resolve):
		return Unreachable, fmt.Sprintf("The broker's host name %q cannot be resolved. Check the name and this machine's DNS.", resolve.Name)
	case errors.Is(err, syscall.ECONNREFUSED):
		return Unreachable, fmt.Sprintf("Nothing listens at %s. Start the broker, or correct its address or port.", hostPort)
	case errors.As(err, &timeout) && timeout.Timeout():
		return Unreachable, fmt.Sprintf("No answer from %s within %v. Check the network, the firewall and the port.", hostPort, c.Timeout)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.ECONNRESET), errors.Is(err, syscall.EPIPE):
		hint := "If the port is one for TLS, use mqtts:// in the address."
		if secure {
			hint = "It may demand a client certificate, or not accept this one."
		}
		return Refused, fmt.Sprintf("The broker at %s closes the connection without an answer. %s", hostPort, hint)
	}
	return Unreachable, fmt.Sprintf("Cannot connect to the broker at %s: %v. Check the network and the broker.", hostPort, cleanText(err))
}

func explainTLS(err error, hostPort string, c *Config) string {
	var authority x509.UnknownAuthorityError
	var name x509.HostnameError
	var invalid x509.CertificateInvalidError
	var record tls.RecordHeaderError
	var remote *net.OpError
	switch {
	case errors.As(err, &authority):
		return fmt.Sprintf("The certificate of the broker at %s is signed by an authority this machine does not know. Give the CA's certificate as the CA file.", hostPort)
	case errors.As(err, &name):
		return fmt.Sprintf("The certificate of the broker at %s is not for that name: %v. Connect by a name in the certificate.", hostPort, name)
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return fmt.Sprintf("The certificate of the broker at %s has expired or is not valid yet: %s. Renew it, or set this machine's clock.", hostPort, invalid.Detail)
	case errors.As(err, &record):
		return fmt.Sprintf("The broker at %s does not speak TLS on this port. Use its TLS port, or mqtt:// in the address.", hostPort)
	case errors.As(err, &remote) && remote.Op == "remote error" && c.Certificates.CertFile == "":
		return fmt.Sprintf("The broker at %s ends the TLS handshake (%v). It probably demands a client certificate; give one.", hostPort, remote.Err)
	case errors.As(err, &remote) && remote.Op == "remote error":
		return fmt.Sprintf("The broker at %s does not accept the client certificate (%v). Check that it is current and signed by the broker's CA.", hostPort, remote.Err)
	}
	return fmt.Sprintf("The TLS handshake with the broker at %s fails: %v. Check the certificates and the port.", hostPort, cleanText(err))
}

// cleanText flattens an error of the library, which may span lines.
func cleanText(err error) string {
	return strings.Join(strings.Fields(err.Error()), " ")
}
