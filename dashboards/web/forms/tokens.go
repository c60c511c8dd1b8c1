package forms

import (
	"crypto/rand"
	"sync"
)

// Tokens remembers the latest form tokens, so that a double tap or a resent
// form does nothing twice. Forms without a token are let through. The zero
// value is ready for use.
type Tokens struct {
	mu    sync.Mutex
	used  map[string]bool
	order []string
}

const keptTokens = 4096

// NewToken returns the token of a form that is shown.
func NewToken() string { return rand.Text() }

// Claim reports whether the token is used for the first time.
func (o *Tokens) Claim(token string) bool {
	if token == "" || len(token) > 64 {
		return true
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.used[token] {
		return false
	}
	if o.used == nil {
		o.used = map[string]bool{}
	}
	if len(o.order) >= keptTokens {
		delete(o.used, o.order[0])
		o.order = o.order[1:]
	}
	o.used[token] = true
	o.order = append(o.order, token)
	return true
}

// Release lets a token be used again after its command failed.
func (o *Tokens) Release(token string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.used, token)
}
