package delivery

import (
	"math/rand/v2"
	"sync"
	"time"
)

// fault is what a proxy does to one exchange.
type fault string

const (
	none fault = ""
	// refused: the connection is reset at once; slow: it takes a while.
	refused fault = "refused"
	slow    fault = "slow"
	// cut: it ends in the middle of the message.
	cut fault = "cut"
	// later, busy and failing are the answers 451 of a mail server, 429 and 500
	// of a web server; never is the answer 554 about one person.
	later   fault = "451"
	busy    fault = "429"
	failing fault = "500"
	never   fault = "554"
	// short: the answer says that it was taken, and ends in the middle of what
	// follows.
	short fault = "short answer"
	// unheard: the message is taken, and the answer lost. Nobody can tell this
	// from a message that was lost.
	unheard fault = "lost answer"
)

// chance is how likely a fault is, of 10,000.
type chance struct {
	fault fault
	of    int
}

// dice draw faults. They are safe for use by several goroutines.
type dice struct {
	mu     sync.Mutex
	random *rand.Rand
	// off has every exchange pass.
	off    bool
	counts map[fault]int
}

func newDice(seed uint64) *dice {
	return &dice{random: rand.New(rand.NewPCG(seed, 0)), counts: map[fault]int{}}
}

// draw draws a fault, and a number from 0 to 1 that goes with it.
func (d *dice) draw(chances []chance) (fault, float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return none, 0
	}
	n := d.random.IntN(10_000)
	for _, c := range chances {
		if n -= c.of; n < 0 {
			d.counts[c.fault]++
			return c.fault, d.random.Float64()
		}
	}
	return none, 0
}

// between draws a time.
func (d *dice) between(least, most time.Duration) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return least + time.Duration(d.random.Float64()*float64(most-least))
}

func (d *dice) setOff(off bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.off = off
}

// drawn is how often each fault was drawn.
func (d *dice) drawn() map[string]int {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := map[string]int{}
	for f, n := range d.counts {
		out[string(f)] = n
	}
	return out
}
