package invite_test

import (
	"bytes"
	"encoding/base64"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts/notify/invite"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func key(t testing.TB, secret byte) *invite.Key {
	t.Helper()
	k, err := invite.NewKey(bytes.Repeat([]byte{secret}, 32))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func sample() invite.Invitation {
	return invite.Invitation{
		About: invite.Incident, Number: 4711, Begin: noon.Add(-time.Hour).Add(123 * time.Millisecond), Person: "night-keeper", Expires: noon.Add(invite.Valid),
	}
}

func people() []string { return []string{"lead", "night-keeper"} }

func TestTokenRoundTrip(t *testing.T) {
	k := key(t, 1)
	for name, change := range map[string]func(*invite.Invitation){
		"sample":         func(*invite.Invitation) {},
		"test":           func(i *invite.Invitation) { i.About = invite.Test },
		"first":          func(i *invite.Invitation) { i.Number = 0 },
		"largest number": func(i *invite.Invitation) { i.Number = math.MaxInt64 },
		"latest time": func(i *invite.Invitation) {
			i.Begin, i.Expires = time.UnixMilli(1<<48-1).UTC(), time.Unix(math.MaxUint32*60, 0).UTC()
		},
		"earliest time": func(i *invite.Invitation) { i.Begin = time.UnixMilli(0).UTC() },
	} {
		i := sample()
		change(&i)
		token := k.Token(i)
		if len(token) > invite.MaxLength || invite.MaxLength > 60 {
			t.Errorf("%s: %d characters of at most %d, and an SMS has 160", name, len(token), invite.MaxLength)
		}
		if strings.Trim(token, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") != "" {
			t.Errorf("%s: %q needs escaping", name, token)
		}
		got, err := k.Open(token, people(), noon)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if diff := cmp.Diff(i, got); diff != "" {
			t.Errorf("%s (-signed +opened):\n%s", name, diff)
		}
	}
	if token := k.Token(sample()); len(token) > 52 {
		t.Errorf("an everyday token has %d characters", len(token))
	}
}

func TestTokensThatAreRefused(t *testing.T) {
	k, token := key(t, 1), key(t, 1).Token(sample())
	for name, tt := range map[string]struct {
		key    *invite.Key
		token  string
		people []string
		now    time.Time
		want   error
	}{
		"empty":                {k, "", people(), noon, invite.ErrInvalid},
		"cut":                  {k, token[:len(token)-1], people(), noon, invite.ErrInvalid},
		"longer":               {k, token + "A", people(), noon, invite.ErrInvalid},
		"endless":              {k, strings.Repeat("A", 1<<20), people(), noon, invite.ErrInvalid},
		"padded":               {k, token + "=", people(), noon, invite.ErrInvalid},
		"with a line break":    {k, token[:10] + "\n" + token[10:], people(), noon, invite.ErrInvalid},
		"of another facility":  {key(t, 2), token, people(), noon, invite.ErrInvalid},
		"of somebody who left": {k, token, []string{"lead", "night"}, noon, invite.ErrStranger},
		"of nobody":            {k, token, nil, noon, invite.ErrStranger},
		"just good":            {k, token, people(), noon.Add(invite.Valid - time.Second), nil},
		"too old":              {k, token, people(), noon.Add(invite.Valid), invite.ErrExpired},
	} {
		got, err := tt.key.Open(tt.token, tt.people, tt.now)
		if !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
		if tells := got != (invite.Invitation{}); tells != (tt.want == nil || errors.Is(tt.want, invite.ErrExpired)) {
			t.Errorf("%s: it says %+v", name, got)
		}
	}
}

// Not one bit of a token can be changed, and not one character replaced.
func TestTamperedTokens(t *testing.T) {
	k := key(t, 1)
	token := k.Token(sample())
	octets, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		t.Fatal(err)
	}
	for at := range octets {
		for bit := range 8 {
			changed := bytes.Clone(octets)
			changed[at] ^= 1 << bit
			if i, err := k.Open(base64.RawURLEncoding.EncodeToString(changed), people(), noon); !errors.Is(err, invite.ErrInvalid) {
				t.Errorf("octet %d, bit %d: %+v, %v", at, bit, i, err)
			}
		}
	}
	for at := range token {
		for _, c := range "ABCXYZabcxyz0189-_+/ " {
			changed := token[:at] + string(c) + token[at+1:]
			if i, err := k.Open(changed, people(), noon); changed != token && !errors.Is(err, invite.ErrInvalid) {
				t.Errorf("character %d as %q: %+v, %v", at, c, i, err)
			}
		}
	}
}

// A person is in a token only as something that another key cannot tell.
func TestTokensOfOnePersonLookDifferentElsewhere(t *testing.T) {
	one, other := key(t, 1).Token(sample()), key(t, 2).Token(sample())
	if one[7:17] == other[7:17] || strings.Contains(one, "night") {
		t.Errorf("%s and %s name the person alike", one, other)
	}
}

func TestKeyFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "links.key")
	if _, err := invite.ReadKey(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	made, err := invite.ReadOrCreateKey(path)
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file: %v, %v", info, err)
	}
	again, err := invite.ReadOrCreateKey(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := again.Open(made.Token(sample()), people(), noon); err != nil {
		t.Errorf("after a restart: %v", err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string]string{"empty": "", "short": "c2hvcnQ=", "no base64": strings.Repeat("?", 64), "two": string(text) + "x"} {
		bad := filepath.Join(t.TempDir(), "bad.key")
		if err := os.WriteFile(bad, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := invite.ReadOrCreateKey(bad)
		if err == nil || !strings.Contains(err.Error(), bad) || content != "" && strings.Contains(err.Error(), content) {
			t.Errorf("%s: error %v", name, err)
		}
		if after, err := os.ReadFile(bad); err != nil || string(after) != content {
			t.Errorf("%s: the file became %q, %v", name, after, err)
		}
	}
	if _, err := invite.ReadOrCreateKey(filepath.Join(t.TempDir(), "none", "links.key")); err == nil || !strings.Contains(err.Error(), "web.link_key_file") {
		t.Errorf("no folder: %v", err)
	}
	if _, err := invite.NewKey(make([]byte, 31)); err == nil {
		t.Error("a short secret makes a key")
	}
}

// Whatever comes as a token, it is refused or says just what was signed.
func FuzzOpen(f *testing.F) {
	k := key(f, 1)
	token := k.Token(sample())
	f.Add(token)
	f.Add(token[:20])
	f.Add("")
	f.Add(strings.Repeat("_", invite.MaxLength))
	f.Fuzz(func(t *testing.T, text string) {
		i, err := k.Open(text, people(), noon)
		if err == nil && k.Token(i) != text {
			t.Errorf("%q opens to %+v", text, i)
		}
		if err != nil && text == token {
			t.Error(err)
		}
	})
}
