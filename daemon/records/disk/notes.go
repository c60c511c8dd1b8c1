package disk

import (
	"encoding/json"
	"sync"
)

// Notes are what is noted of records elsewhere, the furthest of each file. The
// zero value is empty. They are safe for use by several goroutines.
type Notes struct {
	mu   sync.Mutex
	list []Last
}

// ParseNotes reads what Text wrote.
func ParseNotes(text []byte) (*Notes, error) {
	n := &Notes{}
	return n, json.Unmarshal(text, &n.list)
}

// Add adds a note.
func (n *Notes) Add(l Last) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for i, have := range n.list {
		if have.ID == l.ID {
			n.list[i].Commits = max(have.Commits, l.Commits)
			return
		}
	}
	n.list = append(n.list, l)
}

// Cover reports whether a note says no more than these.
func (n *Notes) Cover(l Last) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, have := range n.list {
		if have.ID == l.ID && l.Commits <= have.Commits {
			return true
		}
	}
	return false
}

// Text is what ParseNotes reads.
func (n *Notes) Text() ([]byte, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.list == nil {
		return []byte("[]"), nil
	}
	return json.Marshal(n.list)
}
