package broker

import (
	"encoding/binary"
	"io"
	"sync"
)

// acker sends the acknowledgements of one connection. MQTT 3.1.1 section
// 4.6.0-2 wants them in the order in which the messages came, whatever the
// order in which the messages are done with, and it writes as many at once as
// are due: the client library would make a system call of each.
type acker struct {
	mu sync.Mutex
	// pending are the messages not acknowledged yet, in order of receipt;
	// pending[0] has number first.
	pending []pendingAck
	first   uint64
	// cut is set once messages are no longer accepted.
	cut bool
	// due holds the bytes of acknowledgements to be written, and writing is
	// set while some are on their way.
	due     []byte
	writing bool

	wake chan struct{}
	idle chan struct{}
}

type pendingAck struct {
	packet uint16
	qos    byte
	done   bool
}

func newAcker() *acker {
	return &acker{wake: make(chan struct{}, 1), idle: make(chan struct{}, 1)}
}

// expect notes a received message and returns its number for done.
func (a *acker) expect(packet uint16, qos byte) (number uint64, ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.cut {
		return 0, false
	}
	a.pending = append(a.pending, pendingAck{packet: packet, qos: qos})
	return a.first + uint64(len(a.pending)) - 1, true
}

// done marks a message as safely stored.
func (a *acker) done(number uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if number < a.first || number >= a.first+uint64(len(a.pending)) {
		return
	}
	a.pending[number-a.first].done = true
	n := 0
	for n < len(a.pending) && a.pending[n].done {
		if p := a.pending[n]; p.qos == 1 {
			a.due = append(a.due, 0x40, 0x02) // PUBACK, MQTT 3.1.1 section 3.4
			a.due = binary.BigEndian.AppendUint16(a.due, p.packet)
		}
		n++
	}
	a.first += uint64(n)
	a.pending = a.pending[n:]
	if n > 0 {
		signal(a.wake)
	}
}

// drop forgets a message that was not handed on, and all that come after it:
// the broker will deliver them again.
func (a *acker) drop(number uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.cut = true
	if number >= a.first && number < a.first+uint64(len(a.pending)) {
		a.pending = a.pending[:number-a.first]
	}
	signal(a.wake)
}

// drained reports whether every message has been acknowledged on the wire.
func (a *acker) drained() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.pending) == 0 && len(a.due) == 0 && !a.writing
}

// run writes acknowledgements until closed.
func (a *acker) run(w io.Writer, closed <-chan struct{}) {
	var spare []byte
	for {
		select {
		case <-closed:
			return
		case <-a.wake:
		}
		a.mu.Lock()
		batch := a.due
		a.due, a.writing = spare[:0], true
		a.mu.Unlock()
		// A failure to write shows on the reading side as well, which ends
		// the connection.
		if len(batch) > 0 {
			_, _ = w.Write(batch)
		}
		a.mu.Lock()
		a.writing = false
		a.mu.Unlock()
		spare = batch
		signal(a.idle)
	}
}

// signal wakes the receiver of a channel of capacity one.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
