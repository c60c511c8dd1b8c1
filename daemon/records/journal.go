package records

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"time"
)

// Journal gives the entries that arrived in [from, to), in the order of the
// engine.
func (r *Reader) Journal(ctx context.Context, from, to time.Time) iter.Seq2[JournalEntry, error] {
	return func(yield func(JournalEntry, error) bool) {
		rows, err := r.db.QueryContext(ctx, `SELECT seq, arrival, kind, who, body FROM journal
			WHERE arrival >= ? AND arrival < ? ORDER BY seq`, from.UnixMilli(), to.UnixMilli())
		if err != nil {
			yield(JournalEntry{}, describe(r.path, err))
			return
		}
		defer rows.Close()
		for rows.Next() {
			var e JournalEntry
			var arrival int64
			var body string
			if err := rows.Scan(&e.Seq, &arrival, &e.Kind, &e.Who, &body); err != nil {
				yield(JournalEntry{}, describe(r.path, err))
				return
			}
			e.Arrival, e.Body = time.UnixMilli(arrival).UTC(), json.RawMessage(body)
			if !yield(e, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(JournalEntry{}, describe(r.path, err))
		}
	}
}

// LoadState gives a named blob; it fails with ErrNotFound when there is none.
func (r *Reader) LoadState(ctx context.Context, name string) ([]byte, error) {
	var body []byte
	err := r.db.QueryRowContext(ctx, `SELECT body FROM state WHERE name = ?`, name).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("state %q: %w", name, ErrNotFound)
	}
	if err != nil {
		return nil, describe(r.path, err)
	}
	// The driver gives nil for a blob of no bytes.
	return append([]byte{}, body...), nil
}

// Marks is how far the records have come.
type Marks struct {
	// Clock is the engine's clock at the last commit, zero before the first.
	Clock time.Time
	// Occurrence, Count and Journal are the highest numbers in use, 0 for none.
	Occurrence, Count, Journal int64
}

// LoadMarks gives the marks from which the engine goes on after a start.
func (r *Reader) LoadMarks(ctx context.Context) (Marks, error) {
	var m Marks
	var clock sql.NullInt64
	err := r.db.QueryRowContext(ctx, `SELECT (SELECT time FROM clock),
		(SELECT coalesce(max(id), 0) FROM occurrence),
		(SELECT coalesce(max(id), 0) FROM tally),
		(SELECT coalesce(max(seq), 0) FROM journal)`).Scan(&clock, &m.Occurrence, &m.Count, &m.Journal)
	m.Clock = fromMillis(clock)
	return m, describe(r.path, err)
}
