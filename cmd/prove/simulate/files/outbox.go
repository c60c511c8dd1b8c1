package files

import (
	"context"
	"time"

	"rearguard/alerts/notify"
)

// Outbox is the outbox of notices on a disk that may fail.
type Outbox struct {
	notify.Outbox
	// Fails says why it cannot be written now, nil where it can.
	Fails func() error
}

// AddNotice is that of notify.Outbox.
func (o Outbox) AddNotice(ctx context.Context, n notify.Notice) error {
	if err := o.Fails(); err != nil {
		return err
	}
	return o.Outbox.AddNotice(ctx, n)
}

// Hurry is that of notify.Outbox.
func (o Outbox) Hurry(ctx context.Context, channel string, at time.Time, within time.Duration) error {
	if err := o.Fails(); err != nil {
		return err
	}
	return o.Outbox.Hurry(ctx, channel, at, within)
}

// MarkDelivered is that of notify.Outbox.
func (o Outbox) MarkDelivered(ctx context.Context, at time.Time, ids ...int64) error {
	if err := o.Fails(); err != nil {
		return err
	}
	return o.Outbox.MarkDelivered(ctx, at, ids...)
}

// MarkRetry is that of notify.Outbox.
func (o Outbox) MarkRetry(ctx context.Context, due time.Time, reason string, ids ...int64) error {
	if err := o.Fails(); err != nil {
		return err
	}
	return o.Outbox.MarkRetry(ctx, due, reason, ids...)
}

// MarkDead is that of notify.Outbox.
func (o Outbox) MarkDead(ctx context.Context, id int64, at time.Time, reason string) error {
	if err := o.Fails(); err != nil {
		return err
	}
	return o.Outbox.MarkDead(ctx, id, at, reason)
}

// MarkSuperseded is that of notify.Outbox.
func (o Outbox) MarkSuperseded(ctx context.Context, id int64, at time.Time, reason string) error {
	if err := o.Fails(); err != nil {
		return err
	}
	return o.Outbox.MarkSuperseded(ctx, id, at, reason)
}
