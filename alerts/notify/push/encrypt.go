package push

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
)

// The sizes of a body in octets (RFC 8188 section 2.1, RFC 8291 section 4).
const (
	// bodyLimit is what every push service takes (RFC 8030 section 7.2), and
	// the record size that is written into the header.
	bodyLimit = 4096
	saltSize  = 16
	keySize   = 16
	nonceSize = 12
	tagSize   = 16
	pointSize = 65
	// headerSize is salt, record size, length of the key's name, and the name,
	// which is our public key.
	headerSize = saltSize + 4 + 1 + pointSize
)

// MaxPayload is the greatest payload in octets: what the header, the tag and
// the delimiter leave of a body that every push service takes.
const MaxPayload = bodyLimit - headerSize - tagSize - 1

// lastRecord ends the only record (RFC 8188 section 2).
const lastRecord = 0x02

// oneTime is what encrypts one message and no other.
type oneTime struct {
	key  *ecdh.PrivateKey
	salt [saltSize]byte
}

func newOneTime() (once oneTime, err error) {
	if once.key, err = ecdh.P256().GenerateKey(rand.Reader); err != nil {
		return once, fmt.Errorf("make a key for one message: %w", err)
	}
	_, err = rand.Read(once.salt[:])
	return once, err
}

// encrypt makes the body of a message (RFC 8291 section 4): one record of
// aes128gcm.
func encrypt(to Subscription, payload []byte, once oneTime) ([]byte, error) {
	if len(payload) > MaxPayload {
		return nil, fmt.Errorf("a message of %d octets is too large for a push service: at most %d", len(payload), MaxPayload)
	}
	key, nonce, err := contentKeys(to, once)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, fmt.Errorf("encrypt message: %w", err)
	}
	seal, err := cipher.NewGCM(block)
	if err != nil {
		return nil, fmt.Errorf("encrypt message: %w", err)
	}
	body := make([]byte, 0, headerSize+len(payload)+1+tagSize)
	body = append(body, once.salt[:]...)
	body = binary.BigEndian.AppendUint32(body, bodyLimit)
	body = append(body, pointSize)
	body = append(body, once.key.PublicKey().Bytes()...)
	// A copy: the caller's slice may have room behind it that is in use.
	record := append(append(make([]byte, 0, len(payload)+1), payload...), lastRecord)
	return seal.Seal(body, nonce, record, nil), nil
}

// contentKeys derives key and nonce of a message (RFC 8291 section 3.4). The
// secret that crypto/ecdh returns always has 32 octets, with zeros in front
// where the number is small.
func contentKeys(to Subscription, once oneTime) (key, nonce []byte, err error) {
	shared, err := once.key.ECDH(to.public)
	if err != nil {
		return nil, nil, fmt.Errorf("agree on a key with the phone: %w", err)
	}
	info := "WebPush: info\x00" + string(to.public.Bytes()) + string(once.key.PublicKey().Bytes())
	material, err := hkdf.Key(sha256.New, shared, to.auth, info, sha256.Size)
	if err == nil {
		key, err = hkdf.Key(sha256.New, material, once.salt[:], "Content-Encoding: aes128gcm\x00", keySize)
	}
	if err == nil {
		nonce, err = hkdf.Key(sha256.New, material, once.salt[:], "Content-Encoding: nonce\x00", nonceSize)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("derive the key of a message: %w", err)
	}
	return key, nonce, nil
}
