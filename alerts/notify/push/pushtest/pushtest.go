// Package pushtest stands for the far end of Web Push in tests: browsers that
// subscribe and decrypt, and the push service they get their messages from. It
// is written from the RFCs and shares no code with package push.
package pushtest

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

var b64 = base64.RawURLEncoding

// Browser is a browser that subscribed.
type Browser struct {
	Private *ecdh.PrivateKey
	Auth    []byte
	// Endpoint is the address that its push service gave it.
	Endpoint string
}

// P256dh and Secret are what a page gets of the browser beside the endpoint.
func (b *Browser) P256dh() string { return b64.EncodeToString(b.Private.PublicKey().Bytes()) }

// Secret is the shared secret of the subscription.
func (b *Browser) Secret() string { return b64.EncodeToString(b.Auth) }

// expand is HKDF (RFC 5869) with SHA-256, for up to one block.
func expand(secret, salt []byte, info string, size int) []byte {
	extract := hmac.New(sha256.New, salt)
	extract.Write(secret)
	next := hmac.New(sha256.New, extract.Sum(nil))
	next.Write(append([]byte(info), 1))
	return next.Sum(nil)[:size]
}

// Decrypt opens the body of a message (RFC 8291 section 3, RFC 8188 section 2).
func (b *Browser) Decrypt(body []byte) ([]byte, error) {
	if len(body) < 21 {
		return nil, errors.New("the body has no header")
	}
	salt, size, name := body[:16], binary.BigEndian.Uint32(body[16:20]), int(body[20])
	if len(body) < 21+name || uint32(len(body)-21-name) > size {
		return nil, fmt.Errorf("a body of %d octets is not one record of %d", len(body), size)
	}
	point, record := body[21:21+name], body[21+name:]
	sender, err := ecdh.P256().NewPublicKey(point)
	if err != nil {
		return nil, err
	}
	shared, err := b.Private.ECDH(sender)
	if err != nil {
		return nil, err
	}
	material := expand(shared, b.Auth, "WebPush: info\x00"+string(b.Private.PublicKey().Bytes())+string(point), 32)
	block, err := aes.NewCipher(expand(material, salt, "Content-Encoding: aes128gcm\x00", 16))
	if err != nil {
		return nil, err
	}
	open, err := cipher.NewGCM(block)
	if err != nil {
		return nil, err
	}
	text, err := open.Open(nil, expand(material, salt, "Content-Encoding: nonce\x00", 12), record, nil)
	if err != nil {
		return nil, err
	}
	text = []byte(strings.TrimRight(string(text), "\x00"))
	if len(text) == 0 || text[len(text)-1] != 2 {
		return nil, errors.New("the last record does not end in 0x02")
	}
	return text[:len(text)-1], nil
}

// Claims are what a signature says.
type Claims struct {
	Audience string `json:"aud"`
	Expires  int64  `json:"exp"`
	Subject  string `json:"sub"`
}

// Verify checks the header of RFC 8292 section 3 by the key it names, and
// returns what is signed and the key.
func Verify(authorization string) (c Claims, key string, err error) {
	rest, ok := strings.CutPrefix(authorization, "vapid t=")
	token, key, both := strings.Cut(rest, ", k=")
	parts := strings.Split(token, ".")
	if !ok || !both || len(parts) != 3 {
		return c, "", fmt.Errorf("%q is not vapid t=…, k=…", authorization)
	}
	point, err := b64.DecodeString(key)
	if err != nil {
		return c, "", err
	}
	public, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), point)
	if err != nil {
		return c, "", err
	}
	signature, err := b64.DecodeString(parts[2])
	if err != nil || len(signature) != 64 {
		return c, "", fmt.Errorf("the signature is of %d octets: %w", len(signature), err)
	}
	digest := sha256.Sum256([]byte(parts[0] + "." + parts[1]))
	if !ecdsa.Verify(public, digest[:], new(big.Int).SetBytes(signature[:32]), new(big.Int).SetBytes(signature[32:])) {
		return c, "", errors.New("the signature is not of this text by this key")
	}
	header, err := b64.DecodeString(parts[0])
	if err != nil || string(header) != `{"typ":"JWT","alg":"ES256"}` {
		return c, "", fmt.Errorf("the header is %s: %w", header, err)
	}
	claims, err := b64.DecodeString(parts[1])
	if err == nil {
		err = json.Unmarshal(claims, &c)
	}
	return c, key, err
}

// Delivery is a message that the push service took or refused.
type Delivery struct {
	Browser *Browser
	Payload []byte
	Header  http.Header
	Claims  Claims
	// Key is the key that the message was signed with.
	Key string
}

// Service is a push service on this machine, with TLS.
type Service struct {
	*httptest.Server
	t testing.TB

	mu       sync.Mutex
	browsers map[string]*Browser
	answers  map[string]func(http.ResponseWriter)
	// Deliveries get every message that could be decrypted, also one that is
	// then refused.
	Deliveries chan Delivery
}

// NewService starts a push service, which ends with the test.
func NewService(t testing.TB) *Service {
	s := &Service{t: t, browsers: map[string]*Browser{}, answers: map[string]func(http.ResponseWriter){}, Deliveries: make(chan Delivery, 64)}
	s.Server = httptest.NewTLSServer(s)
	t.Cleanup(s.Close)
	return s
}

// Roots vouch for the service.
func (s *Service) Roots() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(s.Certificate())
	return pool
}

// CAFile is a file with the certificate of the service.
func (s *Service) CAFile() string {
	s.t.Helper()
	path := filepath.Join(s.t.TempDir(), "push-ca.pem")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		s.t.Fatal(err)
	}
	return path
}

// Subscribe is what a browser does when its person allows messages.
func (s *Service) Subscribe() *Browser {
	s.t.Helper()
	private, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		s.t.Fatal(err)
	}
	path := "/deliver/" + rand.Text() + rand.Text()
	b := &Browser{Private: private, Auth: make([]byte, 16), Endpoint: s.URL + path}
	if _, err := rand.Read(b.Auth); err != nil {
		s.t.Fatal(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.browsers[path] = b
	return b
}

// Answer has the service answer messages to a browser with a status and, if it
// is not empty, a Retry-After; 201 is what it begins with.
func (s *Service) Answer(b *Browser, status int, retryAfter, words string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.answers[b.Endpoint] = func(w http.ResponseWriter) {
		if retryAfter != "" {
			w.Header().Set("Retry-After", retryAfter)
		}
		w.WriteHeader(status)
		_, _ = io.WriteString(w, words)
	}
}

// ServeHTTP is the service of RFC 8030 section 5, as strict as it may be.
func (s *Service) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	s.mu.Lock()
	b := s.browsers[r.URL.Path]
	var answer func(http.ResponseWriter)
	if b != nil {
		answer = s.answers[b.Endpoint]
	}
	s.mu.Unlock()
	switch {
	case err != nil || r.Method != http.MethodPost || r.Header.Get("TTL") == "" || r.Header.Get("Content-Encoding") != "aes128gcm":
		w.WriteHeader(http.StatusBadRequest)
		return
	case b == nil:
		w.WriteHeader(http.StatusNotFound)
		return
	case len(body) > 4096:
		w.WriteHeader(http.StatusRequestEntityTooLarge)
		return
	}
	claims, key, err := Verify(r.Header.Get("Authorization"))
	if err != nil || claims.Audience != s.URL {
		s.t.Errorf("signed for %q: %v", claims.Audience, err)
		w.WriteHeader(http.StatusForbidden)
		return
	}
	payload, err := b.Decrypt(body)
	if err != nil {
		s.t.Errorf("the browser cannot decrypt: %v", err)
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	s.Deliveries <- Delivery{b, payload, r.Header, claims, key}
	if answer != nil {
		answer(w)
		return
	}
	w.Header().Set("Location", s.URL+"/message/"+rand.Text())
	w.Header().Set("TTL", r.Header.Get("TTL"))
	w.WriteHeader(http.StatusCreated)
}
