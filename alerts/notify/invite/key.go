package invite

import (
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"rearguard/alerts/notify/keyfile"
)

// secretSize is the least size of the secret of a key file, in octets.
const secretSize = 32

// Key signs links. With another key all links that were sent are void.
type Key struct{ signing, naming []byte }

// NewKey makes a key of a secret of 32 octets or more.
func NewKey(secret []byte) (*Key, error) {
	if len(secret) < secretSize {
		return nil, fmt.Errorf("the secret is shorter than %d octets", secretSize)
	}
	k := &Key{}
	var err error
	if k.signing, err = hkdf.Key(sha256.New, secret, nil, "rearguard: links in notices", sha256.Size); err != nil {
		return nil, err
	}
	k.naming, err = hkdf.Key(sha256.New, secret, nil, "rearguard: people in links", sha256.Size)
	return k, err
}

// ReadKey reads a key from a file: 32 octets or more as base64. The error wraps
// fs.ErrNotExist if there is no file; none says what is in the file.
func ReadKey(path string) (*Key, error) {
	data, err := keyfile.Read(path)
	if err != nil {
		return nil, fmt.Errorf("read the key of links: %w", err)
	}
	secret, err := base64.StdEncoding.DecodeString(strings.TrimSpace(string(data)))
	if err != nil || len(secret) < secretSize {
		return nil, fmt.Errorf("read the key of links: %s holds no %d octets or more in base64", path, secretSize)
	}
	return NewKey(secret)
}

// ReadOrCreateKey reads the key of a file, and makes one that only our account
// can read if there is no file.
func ReadOrCreateKey(path string) (*Key, error) {
	key, err := ReadKey(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	secret := make([]byte, secretSize)
	if _, err := rand.Read(secret); err != nil {
		return nil, fmt.Errorf("make a key for links: %w", err)
	}
	if err := keyfile.WriteNew(path, []byte(base64.StdEncoding.EncodeToString(secret)+"\n")); err != nil {
		return nil, fmt.Errorf("keep the key of links (let rearguard's account write to the folder of web.link_key_file, or put a key there): %w", err)
	}
	return NewKey(secret)
}
