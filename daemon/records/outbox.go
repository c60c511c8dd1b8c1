package records

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
)

// OutboxTotal counts notices.
type OutboxTotal struct {
	Channel string
	State   notify.State
	Count   int64
}

// putNotice enters a notice: as delivered when its State says so, which then
// counts as one attempt, and as pending otherwise.
func (s *statements) putNotice(ctx context.Context, n *notify.Notice) error {
	state, attempts, done := notify.Pending, 0, time.Time{}
	if n.State == notify.Delivered {
		state, attempts, done = n.State, max(n.Attempts, 1), n.DoneAt
	}
	_, err := s.notice.ExecContext(ctx, n.Key, n.Occurrence, int64(n.Priority), n.Channel, n.Recipient, text(n.Payload),
		n.CreatedAt.UnixMilli(), n.DueAt.UnixMilli(), string(state), attempts, Millis(done))
	return err
}

// Queues gives what waits, one for each person and channel, as it stands at a
// time. What a queue says of notices that are due is zero when none is.
func (r *Reader) Queues(ctx context.Context, at time.Time) ([]notify.Queue, error) {
	return collect(ctx, r, func(rows *sql.Rows) (q notify.Queue, err error) {
		var due int64
		err = rows.Scan(&q.Channel, &q.Recipient, &due, &q.Newest, &q.Priority, &q.Attempts)
		q.Due = time.UnixMilli(due).UTC()
		return q, err
	}, `SELECT channel, recipient, min(due_at), max(id), coalesce(max(CASE WHEN due_at <= ?1 THEN priority END), 0),
		coalesce(min(CASE WHEN due_at <= ?1 THEN attempts END), 0)
		FROM outbox WHERE state = 'pending' GROUP BY channel, recipient`, at.UnixMilli())
}

// PendingNotices gives up to limit pending notices of a person by a channel,
// the most urgent first, then the longest due.
func (r *Reader) PendingNotices(ctx context.Context, channel, recipient string, limit int) ([]notify.Notice, error) {
	return collect(ctx, r, scanNotice, outboxColumns+` WHERE state = 'pending' AND channel = ? AND recipient = ?
		ORDER BY priority DESC, due_at, id LIMIT ?`, channel, recipient, limit)
}

// Notices gives the notices of one occurrence to a person in the order of entry.
func (r *Reader) Notices(ctx context.Context, occurrence int64, recipient string) ([]notify.Notice, error) {
	return collect(ctx, r, scanNotice, outboxColumns+` WHERE occurrence = ? AND recipient = ? ORDER BY id`, occurrence, recipient)
}

// NoticesBetween gives the notices written in [from, to), in the order of
// entry.
func (r *Reader) NoticesBetween(ctx context.Context, from, to time.Time) ([]notify.Notice, error) {
	return collect(ctx, r, scanNotice, outboxColumns+` WHERE created_at >= ? AND created_at < ? ORDER BY id`, from.UnixMilli(), to.UnixMilli())
}

// FailedNotices gives the notices that are still to be delivered after a
// failed attempt, and those given up since a time, in the order of entry.
func (r *Reader) FailedNotices(ctx context.Context, since time.Time) ([]notify.Notice, error) {
	// Asked to sort, SQLite would go through all notices in their order.
	list, err := collect(ctx, r, scanNotice, outboxColumns+` WHERE state = 'pending' AND attempts > 0 UNION ALL `+
		outboxColumns+` WHERE state = 'dead' AND done_at >= ?`, since.UnixMilli())
	slices.SortFunc(list, func(a, b notify.Notice) int { return cmp.Compare(a.ID, b.ID) })
	return list, err
}

// Overdue counts the notices of a priority and above that were written before a
// time and are still to be delivered.
func Overdue(ctx context.Context, r *Reader, least alerts.Priority, before time.Time) (count int, err error) {
	err = r.look(ctx, func(q Querier) error {
		return q.QueryRowContext(ctx, `SELECT count(*) FROM outbox WHERE state = 'pending' AND priority >= ? AND created_at < ?`,
			int64(least), before.UnixMilli()).Scan(&count)
	})
	return count, err
}

// OutboxTotals counts notices by channel and state since the records began.
func (r *Reader) OutboxTotals(ctx context.Context) ([]OutboxTotal, error) {
	return collect(ctx, r, func(rows *sql.Rows) (t OutboxTotal, err error) {
		err = rows.Scan(&t.Channel, &t.State, &t.Count)
		return t, err
	}, `SELECT channel, state, count FROM outbox_total WHERE count > 0 ORDER BY channel, state`)
}

// Enter lets f write in one transaction, as Write does, and enters the notices
// that it returns in the same.
func (s *Store) Enter(ctx context.Context, f func(ctx context.Context, c *sql.Conn) ([]notify.Notice, error)) error {
	return s.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
		list, err := f(ctx, c)
		for i := range list {
			err = errors.Join(err, s.write.putNotice(ctx, &list[i]))
		}
		return err
	})
}

// AddNotice enters a notice, unless there is one with its key.
func (s *Store) AddNotice(ctx context.Context, n notify.Notice) error {
	return s.change(ctx, func(ctx context.Context) error { return s.write.putNotice(ctx, &n) })
}

// Hurry makes the notices of a channel that failed and are due within a time
// due at once.
func (s *Store) Hurry(ctx context.Context, channel string, at time.Time, within time.Duration) error {
	return s.change(ctx, func(ctx context.Context) error {
		_, err := s.conn.ExecContext(ctx, `UPDATE outbox SET due_at = ?1
			WHERE state = 'pending' AND attempts > 0 AND channel = ?3 AND due_at > ?1 AND due_at <= ?2`,
			at.UnixMilli(), at.Add(within).UnixMilli(), channel)
		return err
	})
}

// HurryAhead makes notices due at once that are due longer after a time than any
// pause lasts: they were made by a clock that was ahead.
func (s *Store) HurryAhead(ctx context.Context, at time.Time, longest time.Duration) error {
	return s.change(ctx, func(ctx context.Context) error {
		_, err := s.conn.ExecContext(ctx, `UPDATE outbox SET due_at = ?1 WHERE state = 'pending' AND due_at > ?2`,
			at.UnixMilli(), at.Add(longest).UnixMilli())
		return err
	})
}

// MarkDelivered notes that notices were handed over at the time at.
func (s *Store) MarkDelivered(ctx context.Context, at time.Time, ids ...int64) error {
	list, args := among(ids, at.UnixMilli())
	return s.mark(ctx, ids, `UPDATE outbox SET state = 'delivered', attempts = attempts + 1, done_at = ?, last_error = ''
		WHERE state = 'pending' AND id IN `+list, args...)
}

// MarkRetry notes that an attempt failed for the given reason and that the
// next one is due at due.
func (s *Store) MarkRetry(ctx context.Context, due time.Time, reason string, ids ...int64) error {
	list, args := among(ids, due.UnixMilli(), reason)
	return s.mark(ctx, ids, `UPDATE outbox SET attempts = attempts + 1, due_at = ?, last_error = ?
		WHERE state = 'pending' AND id IN `+list, args...)
}

// among is a list of ids for a query, and its arguments after others.
func among(ids []int64, args ...any) (string, []any) {
	for _, id := range ids {
		args = append(args, id)
	}
	return "(" + strings.TrimSuffix(strings.Repeat("?,", len(ids)), ",") + ")", args
}

// MarkDead gives the notice up at the time at.
func (s *Store) MarkDead(ctx context.Context, id int64, at time.Time, reason string) error {
	return s.mark(ctx, id, `UPDATE outbox SET state = 'dead', attempts = attempts + 1, done_at = ?, last_error = ?
		WHERE id = ? AND state = 'pending'`, at.UnixMilli(), reason, id)
}

// MarkSuperseded withdraws the notice at the time at: another tells all of it, or
// it lost its point.
func (s *Store) MarkSuperseded(ctx context.Context, id int64, at time.Time, reason string) error {
	return s.mark(ctx, id, `UPDATE outbox SET state = 'superseded', done_at = ?, last_error = ?
		WHERE id = ? AND state = 'pending'`, at.UnixMilli(), reason, id)
}

// ReleaseNotice says what became of a notice that was entered while it was
// being told without the outbox: it was handed over at the time at, or, for
// the zero time, it was not, and is due at once. It fails with ErrNotFound
// when no pending notice has the key.
func (s *Store) ReleaseNotice(ctx context.Context, key string, at time.Time) error {
	if at.IsZero() {
		return s.mark(ctx, key, `UPDATE outbox SET due_at = created_at WHERE key = ? AND state = 'pending'`, key)
	}
	return s.mark(ctx, key, `UPDATE outbox SET state = 'delivered', attempts = attempts + 1, done_at = ?, last_error = ''
		WHERE key = ? AND state = 'pending'`, at.UnixMilli(), key)
}

// mark fails with ErrNotFound when there is no such pending notice, so that
// two notifiers never both believe that they delivered it.
func (s *Store) mark(ctx context.Context, idOrKey any, query string, args ...any) error {
	return s.change(ctx, func(ctx context.Context) error {
		res, err := s.conn.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err == nil && n == 0 {
			err = fmt.Errorf("notice %v is not pending: %w", idOrKey, ErrNotFound)
		}
		return err
	})
}

const outboxColumns = `SELECT id, key, occurrence, priority, channel, recipient, payload, created_at, due_at,
	attempts, state, done_at, last_error FROM outbox`

func scanNotice(rows *sql.Rows) (n notify.Notice, err error) {
	var created, due int64
	var done sql.NullInt64
	var payload string
	err = rows.Scan(&n.ID, &n.Key, &n.Occurrence, &n.Priority, &n.Channel, &n.Recipient, &payload, &created, &due,
		&n.Attempts, &n.State, &done, &n.LastError)
	n.CreatedAt, n.DueAt, n.DoneAt = time.UnixMilli(created).UTC(), time.UnixMilli(due).UTC(), FromMillis(done)
	n.Payload = json.RawMessage(payload)
	return n, err
}
