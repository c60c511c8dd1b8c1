package push

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"

	"rearguard/alerts/notify/keyfile"
)

// Key is the key pair by which push services know us, on P-256. Phones are
// subscribed to it: with another key all of them must subscribe anew.
type Key struct {
	private *ecdsa.PrivateKey
	public  []byte
	// seal closes subscriptions for keeping.
	seal cipher.AEAD
}

// ReadKey reads a key from a file: a private key on P-256 in PEM, as PKCS #8 or
// after SEC 1. The error wraps fs.ErrNotExist if there is no file; none says
// what is in the file.
func ReadKey(path string) (*Key, error) {
	data, err := keyfile.Read(path)
	if err != nil {
		return nil, fmt.Errorf("read the key of push messages: %w", err)
	}
	key, err := parseKey(data)
	if err != nil {
		return nil, fmt.Errorf("read the key of push messages: %s %w", path, err)
	}
	return key, nil
}

var errKey = errors.New("holds no private key on P-256 in PEM")

func parseKey(data []byte) (*Key, error) {
	block, _ := pem.Decode(data)
	if block == nil {
		return nil, errKey
	}
	if private, err := x509.ParseECPrivateKey(block.Bytes); err == nil {
		return newKey(private)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, errKey
	}
	private, ok := parsed.(*ecdsa.PrivateKey)
	if !ok {
		return nil, errKey
	}
	return newKey(private)
}

func newKey(private *ecdsa.PrivateKey) (*Key, error) {
	if private.Curve != elliptic.P256() {
		return nil, errKey
	}
	public, err := private.PublicKey.Bytes()
	if err != nil {
		return nil, errKey
	}
	scalar, err := private.Bytes()
	if err != nil {
		return nil, errKey
	}
	sealing, err := hkdf.Key(sha256.New, scalar, nil, "rearguard: kept subscriptions", 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(sealing)
	if err != nil {
		return nil, err
	}
	seal, err := cipher.NewGCMWithRandomNonce(block)
	return &Key{private: private, public: public, seal: seal}, err
}

// ReadOrCreateKey reads the key of a file, and makes one that only our account
// can read if there is no file.
func ReadOrCreateKey(path string) (*Key, error) {
	key, err := ReadKey(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a key for push messages: %w", err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return nil, fmt.Errorf("make a key for push messages: %w", err)
	}
	if err := keyfile.WriteNew(path, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})); err != nil {
		return nil, fmt.Errorf("keep the key of push messages (let rearguard's account write to the folder of push.key_file, or put a key there): %w", err)
	}
	return newKey(private)
}

// Public is the public key as browsers want it for a subscription.
func (k *Key) Public() string { return encode(k.public) }

// kept is a subscription as it is sealed.
type kept struct {
	Endpoint string `json:"endpoint"`
	Public   string `json:"p256dh"`
	Auth     string `json:"auth"`
}

// Seal closes a subscription so that only this key opens it: without the key it
// is of no use to anybody, and so neither is a copy of where it is kept.
func (k *Key) Seal(s Subscription) ([]byte, error) {
	text, err := json.Marshal(kept{s.endpoint, encode(s.public.Bytes()), encode(s.auth)})
	if err != nil {
		return nil, fmt.Errorf("seal a subscription: %w", err)
	}
	return k.seal.Seal(nil, nil, text, nil), nil
}

// ErrOtherKey says that a subscription was made with another key.
var ErrOtherKey = errors.New("the phone was subscribed with another key than that of push.key_file: open the page on it once more")

// Open is the inverse of Seal. It fails with ErrOtherKey when another key sealed
// it, to which the phone then is subscribed.
func (k *Key) Open(sealed []byte) (Subscription, error) {
	text, err := k.seal.Open(nil, nil, sealed, nil)
	if err != nil {
		return Subscription{}, ErrOtherKey
	}
	var s kept
	if err := json.Unmarshal(text, &s); err != nil {
		return Subscription{}, ErrOtherKey
	}
	return NewSubscription(s.Endpoint, s.Public, s.Auth)
}
