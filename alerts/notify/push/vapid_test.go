package push

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/alerts/notify/push/pushtest"
)

var begin = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// What checks our signatures takes the example of RFC 8292 section 2.4, and
// nothing that differs from it.
func TestExampleOfRFC8292(t *testing.T) {
	var v struct {
		Authorization, K string
		Claims           pushtest.Claims
	}
	vector(t, "rfc8292.json", &v)
	claims, key, err := pushtest.Verify(v.Authorization)
	if err != nil || key != v.K || claims != v.Claims {
		t.Errorf("%+v by %s: %v", claims, key, err)
	}
	if _, _, err := pushtest.Verify(strings.Replace(v.Authorization, ".eyJhdWQ", ".eyJhdWR", 1)); err == nil {
		t.Error("a changed text verifies")
	}
}

func TestSignature(t *testing.T) {
	key := newTestKey(t)
	for endpoint, origin := range map[string]string{
		"https://fcm.googleapis.com/fcm/send/abc:def?x=1": "https://fcm.googleapis.com",
		"https://Web.Push.Apple.com:443/Q":                "https://web.push.apple.com",
		"https://push.example.net:8443/p":                 "https://push.example.net:8443",
		"https://[2001:db8::1]:8443/p":                    "https://[2001:db8::1]:8443",
	} {
		b, _ := browser(t)
		to, err := NewSubscription(endpoint, b.P256dh(), b.Secret())
		if err != nil {
			t.Fatal(err)
		}
		// Of many signatures some have numbers with zeros in front.
		for range 300 {
			header, err := key.authorization(to.origin(), "mailto:lead@example.org", begin)
			if err != nil {
				t.Fatal(err)
			}
			claims, by, err := pushtest.Verify(header)
			if err != nil {
				t.Fatal(err)
			}
			left := time.Unix(claims.Expires, 0).Sub(begin)
			if claims.Audience != origin || claims.Subject != "mailto:lead@example.org" || by != key.Public() || left <= 0 || left > 24*time.Hour {
				t.Fatalf("%s: %+v by %s, left %v", endpoint, claims, by, left)
			}
		}
	}
}

func TestContacts(t *testing.T) {
	for _, good := range []string{"mailto:lead@example.org", "https://moths.example.org/contact", "mailto:a+b@sub.moths.co.uk", "https://example.org:8443"} {
		if err := CheckContact(good); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for _, bad := range []string{
		"", "lead@example.org", "http://example.org", "mailto:", "mailto:mailto:lead@example.org", "mailto:lead", "mailto:lead@localhost", "mailto:lead@box.local",
		"mailto:lead@moths.invalid", "https://localhost", "https://nas.local/x", "https://192.0.2.1", "https://[2001:db8::1]", "mailto:lead@[192.0.2.1]", "https://moths",
		"https://a..org", "mailto:lead@example.org?subject=x", "mailto:Lead <lead@example.org>", "https://x.home.arpa", "https://", "%zz",
	} {
		if err := CheckContact(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func newTestKey(t *testing.T) *Key {
	t.Helper()
	key, err := ReadOrCreateKey(filepath.Join(t.TempDir(), "push.key"))
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func TestKeyIsMadeOnceForUsAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "push.key")
	if _, err := ReadKey(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	// What an interrupted attempt left is readable by all, and in the way.
	if err := os.WriteFile(path+".part", []byte("half of a much longer key than one needs"), 0o644); err != nil {
		t.Fatal(err)
	}
	first, err := ReadOrCreateKey(path)
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if _, err := os.Stat(path + ".part"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the part is left: %v", err)
	}
	again, err := ReadOrCreateKey(path)
	if err != nil || again.Public() != first.Public() || len(octets(t, first.Public())) != 65 {
		t.Errorf("second time %v, %v; first %v", again, err, first.Public())
	}
	if _, err := ReadOrCreateKey(filepath.Join(t.TempDir(), "none", "push.key")); err == nil || !strings.Contains(err.Error(), "push.key_file") {
		t.Errorf("no folder: %v", err)
	}
}

func TestKeyFiles(t *testing.T) {
	write := func(kind string, der []byte, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "k")
		if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	right, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	wrong, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	sec1, err := x509.MarshalECPrivateKey(right)
	if key, err := ReadKey(write("EC PRIVATE KEY", sec1, err)); err != nil || key.Public() == "" {
		t.Errorf("a key after SEC 1: %v", err)
	}
	other, err := x509.MarshalPKCS8PrivateKey(wrong)
	for name, path := range map[string]string{
		"other curve": write("PRIVATE KEY", other, err), "nonsense": write("PRIVATE KEY", []byte("x"), nil), "folder": t.TempDir(), "device": os.DevNull,
	} {
		if _, err := ReadKey(path); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestOnlyItsKeyOpensASubscription(t *testing.T) {
	b, to := browser(t)
	key, other := newTestKey(t), newTestKey(t)
	sealed, err := key.Seal(to)
	if err != nil {
		t.Fatal(err)
	}
	for _, secret := range []string{b.Endpoint, to.Host(), b.P256dh(), b.Secret()} {
		if strings.Contains(string(sealed), secret) {
			t.Errorf("sealed, it still says %q", secret)
		}
	}
	opened, err := key.Open(sealed)
	if err != nil || opened.endpoint != to.endpoint || opened.Fingerprint() != to.Fingerprint() || !opened.public.Equal(to.public) || encode(opened.auth) != encode(to.auth) {
		t.Errorf("opened: %v", err)
	}
	if _, err := other.Open(sealed); !errors.Is(err, ErrOtherKey) {
		t.Errorf("another key: %v", err)
	}
	sealed[len(sealed)-1] ^= 1
	if _, err := key.Open(sealed); !errors.Is(err, ErrOtherKey) {
		t.Errorf("damaged: %v", err)
	}
	if _, err := key.Open(nil); !errors.Is(err, ErrOtherKey) {
		t.Errorf("nothing: %v", err)
	}
}
