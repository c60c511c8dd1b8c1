package push

import (
	"crypto/ecdsa"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/mail"
	"net/url"
	"slices"
	"strings"
	"time"
)

// tokenFor is how long a signature holds. More than 24 h is refused (RFC 8292
// section 2); half of it leaves room for a clock that is wrong, either way.
const tokenFor = 12 * time.Hour

// tokenClaims are those of RFC 8292 section 2.
type tokenClaims struct {
	Audience string `json:"aud"`
	Expires  int64  `json:"exp"`
	Subject  string `json:"sub"`
}

// authorization is the header of RFC 8292 section 3 for a push service, by its
// origin: a JSON Web Token (RFC 7519) signed by ES256 (RFC 7518 section 3.4), and
// the key that it was signed with.
func (k *Key) authorization(origin, contact string, now time.Time) (string, error) {
	claims, err := json.Marshal(tokenClaims{origin, now.Add(tokenFor).Unix(), contact})
	if err != nil {
		return "", fmt.Errorf("sign for the push service: %w", err)
	}
	text := encode([]byte(`{"typ":"JWT","alg":"ES256"}`)) + "." + encode(claims)
	digest := sha256.Sum256([]byte(text))
	r, s, err := ecdsa.Sign(rand.Reader, k.private, digest[:])
	if err != nil {
		return "", fmt.Errorf("sign for the push service: %w", err)
	}
	var signature [64]byte
	r.FillBytes(signature[:32])
	s.FillBytes(signature[32:])
	return fmt.Sprintf("vapid t=%s.%s, k=%s", text, encode(signature[:]), k.Public()), nil
}

// noDomains end names that lead nowhere on the internet (RFC 2606, RFC 6761,
// RFC 6762, RFC 8375 and the reserved .internal).
func noDomains() []string {
	return []string{"localhost", "local", "invalid", "test", "example", "internal", "lan", "arpa"}
}

// CheckContact says what is wrong with a contact for operators of push services
// (RFC 8292 section 2.1): mailto: with an address, or https: with a page. Its
// domain must be a real one, as some services refuse all messages otherwise.
func CheckContact(contact string) error {
	u, err := url.Parse(contact)
	if err != nil {
		return fmt.Errorf("%q is not a mailto: or https: address", contact)
	}
	var domain string
	switch u.Scheme {
	case "mailto":
		address, err := mail.ParseAddress(u.Opaque)
		if err != nil || address.Address != u.Opaque || u.RawQuery != "" {
			return fmt.Errorf("%q does not hold an e-mail address alone", contact)
		}
		domain = address.Address[strings.LastIndex(address.Address, "@")+1:]
	case "https":
		domain = u.Hostname()
	default:
		return fmt.Errorf("%q is not a mailto: or https: address", contact)
	}
	labels := strings.Split(strings.ToLower(strings.TrimSuffix(domain, ".")), ".")
	last := labels[len(labels)-1]
	if len(labels) < 2 || slices.Contains(labels, "") || slices.Contains(noDomains(), last) || !strings.ContainsFunc(last, func(r rune) bool { return r < '0' || r > '9' }) || strings.Contains(domain, ":") || strings.Contains(domain, "[") {
		return fmt.Errorf("%q is not a domain of the internet", domain)
	}
	return nil
}
