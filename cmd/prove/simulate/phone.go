package simulate

import (
	"context"
	"errors"
	"time"

	"rearguard/alerts/notify"
)

// phone is the receiver of all notices.
type phone struct {
	run *run
	// down receives nothing, refuses for good, asks to be left alone for after.
	down, refuses bool
	asks          bool
	after         time.Duration
	// got are the notices taken, by key how often.
	got map[string]int
	// calls counts the attempts within this minute.
	calls int
	taken []notify.Message
}

// callsMost is how many attempts a minute a receiver puts up with.
const callsMost = 120

// Send takes a notice, or does not.
func (p *phone) Send(_ context.Context, m notify.Message) error {
	p.calls++
	if p.calls > callsMost {
		p.run.breach("calls", "the phone was called %d times within a minute", p.calls)
		return notify.Permanent(errors.New("enough"))
	}
	switch {
	case p.refuses:
		return notify.Permanent(errors.New("no such person"))
	case p.down:
		return errors.New("the phone does not answer")
	case p.asks:
		return notify.RetryAfter(p.after, errors.New("too many calls"))
	}
	p.got[m.Notice.Key]++
	p.taken = append(p.taken, m)
	p.run.ref.told(m)
	return nil
}
