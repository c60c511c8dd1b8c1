// Package invite makes the links by which a person answers a notice without
// signing in, and reads them. A link says whom it was made for, about which
// incident or test, and until when it holds; a signature vouches for that
// (HMAC-SHA-256, RFC 2104, cut to 128 bits as its section 5 allows).
package invite

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"strings"
	"time"
)

// Valid is how long a link holds from when it is sent. A night and the day after
// it is as long as anybody answers a notice (common practice, no published
// source).
const Valid = 24 * time.Hour

// About says what an invitation is about.
type About byte

// What there is to answer.
const (
	Incident About = iota + 1
	// Test asks whether a test notice arrived.
	Test
)

// Invitation is what a link says.
type Invitation struct {
	About About
	// Number is that of the incident or of the test, and Begin when it began, to
	// the millisecond: incidents are numbered anew with new records.
	Number int64
	Begin  time.Time
	// Person is the id of whom it was made for.
	Person string
	// Expires is when it no longer holds, to the minute.
	Expires time.Time
}

// Why a link is refused.
var (
	// ErrInvalid says that the key did not sign it as it is.
	ErrInvalid = errors.New("this link is not one that was sent from here, or not all of it")
	// ErrStranger says that whom it was made for is no longer known.
	ErrStranger = errors.New("whom this link was made for is no longer known here")
	// ErrExpired says that its time is over.
	ErrExpired = errors.New("this link is too old")
)

// A token is, in octets, all numbers with the most significant first:
//
//	0      version in the upper half, what it is about in the lower
//	1..4   when it expires, in minutes since 1970
//	5..12  the person, as a hash that only this key makes
//	13..18 the beginning, in milliseconds since 1970
//	19..   the number, as a base 128 varint
//	       the signature over all before it
const (
	version   = 1 << 4
	tagSize   = 8
	fixedSize = 1 + 4 + tagSize + 6
	macSize   = 16
	maxSize   = fixedSize + binary.MaxVarintLen64 + macSize
)

// MaxLength is the length of the longest token, in characters.
const MaxLength = (maxSize*8 + 5) / 6

// Token is an invitation as it stands in a link, in characters that need no
// escaping there: about 50 of them. Times outside of 1970 to 10135 and numbers
// below 0 give a token that opens to something else or not at all.
func (k *Key) Token(i Invitation) string {
	b := make([]byte, 0, maxSize)
	b = append(b, version|byte(i.About))
	b = binary.BigEndian.AppendUint32(b, uint32(i.Expires.Unix()/60)) //nolint:gosec // the years that fit are documented
	b = append(b, k.tag(i.Person)...)
	var begin [8]byte
	binary.BigEndian.PutUint64(begin[:], uint64(i.Begin.UnixMilli())) //nolint:gosec // likewise
	b = append(b, begin[2:]...)
	b = binary.AppendUvarint(b, uint64(i.Number)) //nolint:gosec // likewise
	return encoding().EncodeToString(append(b, k.mac(b)...))
}

// Open reads a token that was made for one of the people, which are ids. With
// ErrExpired comes what it said.
func (k *Key) Open(token string, people []string, now time.Time) (Invitation, error) {
	if len(token) > MaxLength || strings.ContainsAny(token, "\r\n") {
		// A decoder would pass over line breaks.
		return Invitation{}, ErrInvalid
	}
	b, err := encoding().DecodeString(token)
	if err != nil || len(b) <= fixedSize+macSize {
		return Invitation{}, ErrInvalid
	}
	said, mac := b[:len(b)-macSize], b[len(b)-macSize:]
	if !hmac.Equal(mac, k.mac(said)) || said[0]&0xf0 != version {
		return Invitation{}, ErrInvalid
	}
	number, size := binary.Uvarint(said[fixedSize:])
	if size != len(said)-fixedSize {
		return Invitation{}, ErrInvalid
	}
	i := Invitation{
		About: About(said[0] & 0x0f), Number: int64(number), //nolint:gosec // signed by us
		Begin:   time.UnixMilli(int64(binary.BigEndian.Uint64(append([]byte{0, 0}, said[13:fixedSize]...)))).UTC(), //nolint:gosec // 48 bits
		Expires: time.Unix(int64(binary.BigEndian.Uint32(said[1:5]))*60, 0).UTC(),
	}
	for _, person := range people {
		if hmac.Equal(k.tag(person), said[5:5+tagSize]) {
			i.Person = person
		}
	}
	switch {
	case i.Person == "":
		return Invitation{}, ErrStranger
	case !now.Before(i.Expires):
		return i, ErrExpired
	}
	return i, nil
}

// encoding admits one way to write a token only.
func encoding() *base64.Encoding { return base64.RawURLEncoding.Strict() }

func (k *Key) mac(said []byte) []byte {
	mac := hmac.New(sha256.New, k.signing)
	mac.Write(said)
	return mac.Sum(nil)[:macSize]
}

func (k *Key) tag(person string) []byte {
	mac := hmac.New(sha256.New, k.naming)
	mac.Write([]byte(person))
	return mac.Sum(nil)[:tagSize]
}
