// Package notify brings alarms to people. Plan decides who is told by which
// channel and makes the rows of the outbox; a Worker delivers them, retrying
// until a channel has taken them, and never sends again what was marked as
// delivered. Delivery is at least once: a crash between the taking of a notice
// by a mail server and the mark in the outbox repeats it, under the same
// message id. While the outbox cannot be written, Unrecorded delivers what is
// urgent without it.
package notify

import (
	"context"
	"errors"
	"fmt"
	"time"

	"rearguard/alerts"
)

// Kind says what a notice tells about its alarm.
type Kind string

// The kinds of news.
const (
	// Raised calls for a person.
	Raised Kind = "raised"
	// Reminder calls again for an alarm that is still on.
	Reminder Kind = "reminder"
	// Taken says that somebody has it.
	Taken Kind = "taken"
	// Cleared says that the incident is over.
	Cleared Kind = "cleared"
	// Over says that an incident of which the person was never told was on and
	// is over. It is never planned; delivery makes it of a Cleared that
	// overtook its Raised.
	Over Kind = "over"
)

// AlarmNotice is the news about one incident, by the alarm to act on first, with
// all that a person needs to act. It is kept as JSON in the outbox.
type AlarmNotice struct {
	Facility string `json:"facility"`
	// Invented marks the made-up facility of a demo.
	Invented bool       `json:"invented,omitempty"`
	Kind     Kind       `json:"kind"`
	Key      alerts.Key `json:"key"`
	// Occurrence is the number of the incident: of the alarm it began with.
	Occurrence int64 `json:"occurrence"`
	// Sequence orders the news of one occurrence; a receiver drops what is
	// older than what it has.
	Sequence int64           `json:"sequence"`
	Priority alerts.Priority `json:"priority"`
	// Title is a few words, for example "too hot".
	Title    string `json:"title"`
	RoomName string `json:"room_name"`
	// Value and Limit are in Unit; without a unit there is no number.
	Value float64 `json:"value"`
	Limit float64 `json:"limit"`
	Unit  string  `json:"unit"`
	alerts.Advice
	Detail string `json:"detail"`
	Circumstances
	// RaisedAt is when the incident began, Time when this news happened.
	RaisedAt time.Time `json:"raised_at"`
	Time     time.Time `json:"time"`
	// Due is the time by which a person must have acted, zero if unknown.
	Due time.Time `json:"due,omitzero"`
	// Zone is the IANA name of the time zone in which the person reads times.
	Zone string `json:"zone"`
	// Link leads to the page on which the alarm is acknowledged.
	Link string `json:"link,omitempty"`
}

// Circumstances are what else there is to know of the incident.
type Circumstances struct {
	// Others are its other alarms, the most urgent first; Steps is what to do
	// after the first action, in order.
	Others []Companion `json:"others,omitempty"`
	Steps  []string    `json:"steps,omitempty"`
	// TakenBy has it; empty for nobody.
	TakenBy string `json:"taken_by,omitempty"`
}

// Companion is another alarm of an incident. Value and Limit are in Unit, those
// furthest beyond; without a unit there is no number.
type Companion struct {
	Title   string  `json:"title"`
	Subject string  `json:"subject,omitempty"`
	Value   float64 `json:"value,omitempty"`
	Limit   float64 `json:"limit,omitempty"`
	Unit    string  `json:"unit,omitempty"`
}

// Message is a notice ready to be sent.
type Message struct {
	Notice Notice
	Alarm  AlarmNotice
	// Also are the other alarms that the message tells of, the most urgent
	// first; none for a message about one alarm. Notice then bears the key of
	// the message and not that of a notice of the outbox.
	Also []AlarmNotice
	// Now is the time of sending.
	Now           time.Time
	Subject, Body string
}

// Channel is one way to reach people.
type Channel interface {
	// Send hands the message over. An error made by Permanent says that no
	// further attempt can succeed, one made by RetryAfter when to try again;
	// any other is retried with backoff. Each but a Permanent one counts against
	// the channel, unless it is marked by OfRecipient. Send returns soon after ctx ends. It
	// may be called from several goroutines.
	Send(ctx context.Context, m Message) error
}

type permanentError struct{ err error }

func (e permanentError) Error() string { return e.err.Error() }
func (e permanentError) Unwrap() error { return e.err }

// Permanent marks err as one that no further attempt can mend.
func Permanent(err error) error { return permanentError{err} }

// IsPermanent reports whether err was marked by Permanent.
func IsPermanent(err error) bool {
	var p permanentError
	return errors.As(err, &p)
}

type recipientError struct{ error }

func (e recipientError) Unwrap() error { return e.error }

// OfRecipient marks err as one that says nothing of how the channel stands for
// others.
func OfRecipient(err error) error { return recipientError{err} }

func ofRecipient(err error) bool {
	var r recipientError
	return errors.As(err, &r)
}

type retryAfterError struct {
	after time.Duration
	err   error
}

func (e retryAfterError) Error() string { return fmt.Sprintf("%v (asked to wait %v)", e.err, e.after) }
func (e retryAfterError) Unwrap() error { return e.err }

// RetryAfter marks err as one whose sender asked to be left alone for a time.
func RetryAfter(after time.Duration, err error) error { return retryAfterError{after, err} }

// retryAfter returns the time asked for, false if none was.
func retryAfter(err error) (time.Duration, bool) {
	var r retryAfterError
	ok := errors.As(err, &r)
	return r.after, ok
}
