package notify

import (
	"context"
	"encoding/json"
	"time"

	"rearguard/alerts"
)

// Notice is one row of the outbox: one message to one person by one channel.
type Notice struct {
	// ID is given by the outbox, from 1 in the order of entry; 0 before that.
	ID int64
	// Key makes the notice unique in the outbox and in the world: a second one
	// with it is not entered, and receivers know a repetition by it.
	Key        string
	Occurrence int64
	// Priority is that of the alarm; the most urgent goes first.
	Priority           alerts.Priority
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
	// Superseded notices were withdrawn, undelivered: another tells their news, or
	// it lost its point.
	Superseded State = "superseded"
)

// Queue is what waits for one person on one channel.
type Queue struct {
	Channel, Recipient string
	// Due is the earliest time at which one of the notices is due.
	Due time.Time
	// Newest is the greatest id of a notice.
	Newest int64
	// Priority is the highest and Attempts the least of those that are due.
	Priority alerts.Priority
	Attempts int
}

// Outbox is the durable queue the Worker works off. All methods may be called
// from several goroutines. Those that mark notices fail when none of the
// notices is pending.
type Outbox interface {
	// Queues gives what waits, one for each person and channel.
	Queues(ctx context.Context, at time.Time) ([]Queue, error)
	// PendingNotices gives up to limit pending notices of a person by a
	// channel, the most urgent first, then the longest due.
	PendingNotices(ctx context.Context, channel, recipient string, limit int) ([]Notice, error)
	// Notices gives all notices of one occurrence to a person in the order of
	// entry.
	Notices(ctx context.Context, occurrence int64, recipient string) ([]Notice, error)
	// AddNotice enters a notice, unless there is one with its key.
	AddNotice(ctx context.Context, n Notice) error
	// Hurry makes the notices of a channel that failed and are due within a
	// time due at once.
	Hurry(ctx context.Context, channel string, at time.Time, within time.Duration) error
	// MarkDelivered notes that a channel has taken the notices.
	MarkDelivered(ctx context.Context, at time.Time, ids ...int64) error
	// MarkRetry notes a failed attempt and when the next is due.
	MarkRetry(ctx context.Context, due time.Time, reason string, ids ...int64) error
	// MarkDead gives the notice up.
	MarkDead(ctx context.Context, id int64, at time.Time, reason string) error
	// MarkSuperseded withdraws a notice.
	MarkSuperseded(ctx context.Context, id int64, at time.Time, reason string) error
}
