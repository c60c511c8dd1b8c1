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

	"rearguard/alerts/notify/letter"
)

// What a notice tells, and how it is written, is in package letter.
type (
	// Kind is that of a notice.
	Kind = letter.Kind
	// AlarmNotice is the news about one incident.
	AlarmNotice = letter.AlarmNotice
	// Circumstances are what else there is to know of it.
	Circumstances = letter.Circumstances
	// Companion is another alarm of it.
	Companion = letter.Companion
	// Links lead from a notice to pages.
	Links = letter.Links
)

// The kinds of news.
const (
	Raised   = letter.Raised
	Reminder = letter.Reminder
	Taken    = letter.Taken
	Going    = letter.Going
	Cleared  = letter.Cleared
	Over     = letter.Over
	Test     = letter.Test
)

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
