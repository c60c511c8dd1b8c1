package records

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"iter"
	"time"
)

// journalPage is how many journal entries are read at a time.
const journalPage = 1000

// Journal gives the entries that arrived in [from, to), in the order of the
// engine, as the journal stood when it began. Nothing is held while the caller
// works.
func (r *Reader) Journal(ctx context.Context, from, to time.Time) iter.Seq2[JournalEntry, error] {
	return func(yield func(JournalEntry, error) bool) {
		lo, hi := from.UnixMilli(), to.UnixMilli()
		var seq, last int64
		err := r.db.QueryRowContext(ctx, `SELECT coalesce(min(seq), 1), coalesce(max(seq), 0) FROM journal
			WHERE arrival >= ? AND arrival < ?`, lo, hi).Scan(&seq, &last)
		if err != nil {
			yield(JournalEntry{}, describe(r.path, err))
			return
		}
		for seq <= last {
			// The plus keeps SQLite from the index by arrival, which would have
			// it sort all that is left for each page.
			page, err := collect(ctx, r, scanJournal, `SELECT seq, arrival, kind, who, body, sum FROM journal
				WHERE seq >= ? AND seq <= ? AND +arrival >= ? AND +arrival < ? ORDER BY seq LIMIT ?`, seq, last, lo, hi, journalPage)
			if err != nil {
				yield(JournalEntry{}, err)
				return
			}
			for _, e := range page {
				if !yield(e, nil) {
					return
				}
			}
			if len(page) < journalPage {
				return
			}
			seq = page[len(page)-1].Seq + 1
		}
	}
}

func scanJournal(rows *sql.Rows) (e JournalEntry, err error) {
	var arrival int64
	var body string
	var sum sql.NullInt64
	err = rows.Scan(&e.Seq, &arrival, &e.Kind, &e.Who, &body, &sum)
	e.Arrival, e.Body = time.UnixMilli(arrival).UTC(), json.RawMessage(body)
	e.damaged = sum.Valid && sum.Int64 != e.sum() || !json.Valid(e.Body)
	return e, err
}

// Damage names the entry if it is not what was stored; empty if it is.
func (e *JournalEntry) Damage() string {
	if !e.damaged {
		return ""
	}
	return fmt.Sprintf("entry %d of the journal (%s, %q by %q)", e.Seq, e.Arrival.Format("2 January 2006 15:04 UTC"), e.Kind, e.Who)
}

// sum is the checksum of an entry.
func (e *JournalEntry) sum() int64 {
	return sumOf(fmt.Appendf(nil, "%d\n%s\n%s\n%s", e.Arrival.UnixMilli(), e.Kind, e.Who, text(e.Body)))
}

// sumOf is the checksum of what a row holds, CRC-32C.
func sumOf(body []byte) int64 {
	return int64(crc32.Checksum(body, crc32.MakeTable(crc32.Castagnoli)))
}

// MarkPrefix begins the names of blobs that each hold the curve of a room at
// the day that ends the name. Older ones go in time (see package upkeep).
const MarkPrefix = "mark/"

// MarkDays is how many days every daily curve is kept; of what is older, those
// of the first days of months are.
const MarkDays = 40

// LoadState gives a named blob; it fails with ErrNotFound when there is none,
// and with ErrCorrupt when it is not what was stored.
func (r *Reader) LoadState(ctx context.Context, name string) ([]byte, error) {
	var body []byte
	var sum sql.NullInt64
	err := r.db.QueryRowContext(ctx, `SELECT body, sum FROM state WHERE name = ?`, name).Scan(&body, &sum)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("state %q: %w", name, ErrNotFound)
	}
	if err != nil {
		return nil, describe(r.path, err)
	}
	if sum.Valid && sum.Int64 != sumOf(body) {
		return nil, fmt.Errorf("state %q: %w: wrong checksum", name, ErrCorrupt)
	}
	// The driver gives nil for a blob of no bytes.
	return append([]byte{}, body...), nil
}

// StatesUnder gives the blobs whose names begin with prefix, by name.
func StatesUnder(ctx context.Context, r *Reader, prefix string) (map[string][]byte, error) {
	states := make(map[string][]byte)
	err := eachRow(ctx, r.db, func(rows *sql.Rows) error {
		var name string
		var body []byte
		if err := rows.Scan(&name, &body); err != nil {
			return err
		}
		states[name] = body
		return nil
	}, `SELECT name, body FROM state WHERE name >= ?1 AND name < ?1 || char(0x10FFFF)`, prefix)
	if err != nil {
		return nil, describe(r.path, err)
	}
	return states, nil
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
	m.Clock = FromMillis(clock)
	return m, describe(r.path, err)
}
