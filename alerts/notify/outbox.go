package notify

import (
	"context"
	"encoding/json"
	"time"
)

// Notice is one row of the outbox: one message to one person by one channel.
type Notice struct {
	// ID is given by the outbox, from 1 in the order of entry; 0 before that.
	ID int64
	// Key makes the notice unique in the outbox and in the world: a second one
	// with it is not entered, and receivers know a repetition by it.
	Key                string
	Occurrence         int64
	Channel, Recipient string
	// Payload is an AlarmNotice as JSON.
	Payload   json.RawMessage
	CreatedAt time.Time
	// DueAt is when to try (again).
	DueAt    time.Time
	Attempts int
	// State is empty or Pending for what is still to be told.
	State State
	// DoneAt is when State became final, zero while the notice is pending.
	DoneAt time.Time
	// LastError is what the last attempt failed by, or why the notice was
	// withdrawn; empty for nothing.
	LastError string
}

// State says what became of a notice.
type State string

// The states of a notice.
const (
	Pending   State = "pending"
	Delivered State = "delivered"
	// Dead notices were not delivered and will not be tried again.
	Dead State = "dead"
	// Superseded notices were withdrawn, undelivered, in favour of a newer one.
	Superseded State = "superseded"
)

// Outbox is the durable queue the Worker works off. All methods may be called
// from several goroutines.
type Outbox interface {
	// DueNotices gives up to limit pending notices due at or before the time,
	// the longest due first.
	DueNotices(ctx context.Context, at time.Time, limit int) ([]Notice, error)
	// Notices gives all notices of one occurrence in the order of entry.
	Notices(ctx context.Context, occurrence int64) ([]Notice, error)
	// MarkDelivered notes that a channel has taken the notice.
	MarkDelivered(ctx context.Context, id int64, at time.Time) error
	// MarkRetry notes a failed attempt and when the next is due.
	MarkRetry(ctx context.Context, id int64, due time.Time, reason string) error
	// MarkDead gives the notice up.
	MarkDead(ctx context.Context, id int64, at time.Time, reason string) error
	// MarkSuperseded withdraws a notice in favour of a newer one.
	MarkSuperseded(ctx context.Context, id int64, at time.Time, by int64) error
}
