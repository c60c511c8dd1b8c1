package push

import (
	"crypto/ecdh"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
)

// knownServices are the hosts of the push services of the makers of browsers;
// a dot at the start stands for every host below.
func knownServices() []string {
	return []string{"fcm.googleapis.com", ".push.apple.com", ".push.services.mozilla.com", ".notify.windows.com"}
}

const (
	// authLength is that of the shared secret in octets (RFC 8291 section 3.2).
	authLength = 16
	// endpointLimit is more than any service uses, in bytes.
	endpointLimit = 2000
)

// Subscription is where a browser takes messages and how they are encrypted
// for it. Whoever has it and our key can write to the phone, so it is shown and
// logged nowhere. The zero value is no subscription.
type Subscription struct {
	endpoint string
	// host is the host of the endpoint in lower case, with a port that is not
	// 443.
	host   string
	public *ecdh.PublicKey
	auth   []byte
}

// Errors about a subscription name no part of it.
var (
	errEndpoint = errors.New("the address of the push service is not an https:// address: subscribe the phone again")
	errPublic   = errors.New("the phone's public key is not a point of the curve P-256: subscribe the phone again")
	errAuth     = fmt.Errorf("the phone's shared secret is not %d octets long: subscribe the phone again", authLength)
)

// NewSubscription checks what a browser says of its subscription: the address
// of its push service, its public key on P-256 (p256dh, RFC 8291 section 3.1)
// and the secret that it shares with us (auth, section 3.2). Keys are base64, of
// either alphabet, with or without padding.
func NewSubscription(endpoint, p256dh, auth string) (Subscription, error) {
	u, err := url.Parse(endpoint)
	if err != nil || len(endpoint) > endpointLimit || u.Scheme != "https" || u.Hostname() == "" || u.User != nil || u.Fragment != "" {
		return Subscription{}, errEndpoint
	}
	point, err := decode(p256dh)
	if err != nil {
		return Subscription{}, errPublic
	}
	public, err := ecdh.P256().NewPublicKey(point)
	if err != nil {
		return Subscription{}, errPublic
	}
	secret, err := decode(auth)
	if err != nil || len(secret) != authLength {
		return Subscription{}, errAuth
	}
	return Subscription{endpoint: endpoint, host: strings.TrimSuffix(strings.ToLower(u.Host), ":443"), public: public, auth: secret}, nil
}

// decode reads base64 as browsers and their libraries write it.
func decode(text string) ([]byte, error) {
	return base64.RawURLEncoding.DecodeString(strings.NewReplacer("+", "-", "/", "_").Replace(strings.TrimRight(text, "=")))
}

// encode writes base64 as RFC 8291 and RFC 7515 want it.
func encode(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// Host names the push service; it is no secret.
func (s Subscription) Host() string { return s.host }

// origin is that of the endpoint (RFC 6454 section 6.1), for the signature.
func (s Subscription) origin() string { return "https://" + s.host }

// Fingerprint tells subscriptions apart and says nothing of their address.
func (s Subscription) Fingerprint() string {
	sum := sha256.Sum256([]byte(s.endpoint))
	return encode(sum[:])
}

// Admits returns an error unless the subscription is at a push service that is
// known or configured: whoever can open the page could otherwise have us call
// any address.
func (s *Sender) Admits(to Subscription) error {
	name := (&url.URL{Host: to.host}).Hostname()
	known := func(service string) bool {
		return name == service || strings.HasPrefix(service, ".") && strings.HasSuffix(name, service)
	}
	if slices.ContainsFunc(knownServices(), known) || slices.ContainsFunc(s.config.Services, known) {
		return nil
	}
	return fmt.Errorf("%q is not the host of a push service that is known here: if this browser's maker runs it, add it to push.services in facility.yaml", name)
}
