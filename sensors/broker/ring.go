package broker

import (
	"slices"
	"sync"
	"time"
)

// Unusable is a message that could not be used.
type Unusable struct {
	Topic string
	// Time is when the message was received.
	Time time.Time
	// Reason says what is wrong with it.
	Reason string
	// Size is the payload's size in bytes, of which Head has the first few.
	Size int
	Head []byte
}

// headBytes is how much of an unusable payload is kept for inspection.
const headBytes = 256

// Ring keeps the last unusable messages, until they are taken, for people to
// inspect, and counts all. It is safe for
// concurrent use.
type Ring struct {
	mu      sync.Mutex
	entries []Unusable
	size    int
	next    int
	count   uint64
}

// NewRing returns a ring that keeps size messages, at least one.
func NewRing(size int) *Ring {
	return &Ring{size: max(size, 1)}
}

// Add notes a message. It keeps a copy of the payload's first bytes. Size is
// the payload's full size, which may exceed what payload still holds.
func (r *Ring) Add(topic string, at time.Time, reason string, size int, payload []byte) {
	head := append([]byte(nil), payload[:min(len(payload), headBytes)]...)
	entry := Unusable{Topic: topic, Time: at, Reason: reason, Size: size, Head: head}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.count++
	if len(r.entries) < r.size {
		r.entries = append(r.entries, entry)
		return
	}
	r.entries[r.next] = entry
	r.next = (r.next + 1) % r.size
}

// Take returns the messages added since the last call, oldest first, as far as
// they are kept, and how many there were.
func (r *Ring) Take() (kept []Unusable, count uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	kept = slices.Concat(r.entries[r.next:], r.entries[:r.next])
	count = r.count
	r.entries, r.next, r.count = nil, 0, 0
	return kept, count
}
