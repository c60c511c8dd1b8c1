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

// failingOutbox is the outbox on a disk that may fail.
type failingOutbox struct {
	notify.Outbox
	disk *disk
}

func (o failingOutbox) AddNotice(ctx context.Context, n notify.Notice) error {
	if o.disk.failing {
		return errDisk
	}
	return o.Outbox.AddNotice(ctx, n)
}

func (o failingOutbox) Hurry(ctx context.Context, channel string, at time.Time, within time.Duration) error {
	if o.disk.failing {
		return errDisk
	}
	return o.Outbox.Hurry(ctx, channel, at, within)
}

func (o failingOutbox) MarkDelivered(ctx context.Context, at time.Time, ids ...int64) error {
	if o.disk.failing {
		return errDisk
	}
	return o.Outbox.MarkDelivered(ctx, at, ids...)
}

func (o failingOutbox) MarkRetry(ctx context.Context, due time.Time, reason string, ids ...int64) error {
	if o.disk.failing {
		return errDisk
	}
	return o.Outbox.MarkRetry(ctx, due, reason, ids...)
}

func (o failingOutbox) MarkDead(ctx context.Context, id int64, at time.Time, reason string) error {
	if o.disk.failing {
		return errDisk
	}
	return o.Outbox.MarkDead(ctx, id, at, reason)
}

func (o failingOutbox) MarkSuperseded(ctx context.Context, id int64, at time.Time, by int64) error {
	if o.disk.failing {
		return errDisk
	}
	return o.Outbox.MarkSuperseded(ctx, id, at, by)
}
