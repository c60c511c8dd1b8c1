package delivery

import (
	"fmt"
	"sync"
	"time"
)

// news is one piece of news to one person by one channel: of an incident, by the
// number of it and the time of its beginning, in milliseconds since 1970.
type news struct {
	person, channel    string
	occurrence, raised int64
	sequence           int64
}

// ledger keeps what arrived. It is safe for use by several goroutines.
type ledger struct {
	mu sync.Mutex
	// got are the ids under which news arrived, in the order in which it did.
	got map[news][]string
	// unreadable are messages that say nothing of which news they are.
	unreadable []string
	messages   int
	// arrived is told when anything arrives.
	arrived chan time.Time
}

func newLedger() *ledger { return &ledger{got: map[news][]string{}, arrived: make(chan time.Time, 1)} }

// enter notes that a message has arrived, with all that it tells.
func (l *ledger) enter(id string, list ...news) {
	now := time.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	l.messages++
	for _, n := range list {
		l.got[n] = append(l.got[n], id)
	}
	if len(list) == 0 {
		l.unreadable = append(l.unreadable, id)
	}
	select {
	case l.arrived <- now:
	default:
	}
}

// told reports whether news arrived, by whichever channel it was to come or by
// any other.
func (l *ledger) told(n news, channels ...string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, channel := range append(channels, n.channel) {
		n.channel = channel
		if len(l.got[n]) > 0 {
			return true
		}
	}
	return false
}

// repeats counts what arrived again, and how often of that under another id.
func (l *ledger) repeats() (again, unmarked int, examples []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for n, ids := range l.got {
		for _, id := range ids[1:] {
			again++
			if id != ids[0] {
				unmarked++
				examples = append(examples, fmt.Sprintf("%+v: %s, then %s", n, ids[0], id))
			}
		}
	}
	return again, unmarked, examples
}

// count is how many messages have arrived.
func (l *ledger) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.messages
}

// settled reports whether more than so many messages have arrived.
func (l *ledger) settled(before int) bool { return l.count() > before }
