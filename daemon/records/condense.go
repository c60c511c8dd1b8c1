package records

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// MarkDays is how many days every daily curve mark is kept; of what is older,
// those of the first days of months are.
const MarkDays = 40

// Bounds of what is condensed.
const (
	// condenseRows is how many rows go in one transaction.
	condenseRows = 500
	// detailRows is how many rows of one kind are kept in full at most, however
	// young: something that flaps writes thousands a day. Those of the last
	// detailLeast days stay.
	detailRows  = 200_000
	detailLeast = 7
)

// Keep says what of the records stays in full.
type Keep struct {
	// Now is the present time.
	Now time.Time
	// DetailDays is how long the steps of alarms that are over, notices that
	// came to their end, and what machines wrote into the journal are kept; 0
	// is for ever.
	DetailDays int
}

// detail is one kind of row that is condensed once it is old. Find gives the
// numbers of rows older than a time, at most so many; carry keeps in short what
// is needed of the rows in a JSON list, and drop lets them go.
type detail struct {
	what, times string
	find        string
	carry, drop string
}

// details are all kinds. What belongs to an alarm that stands is left alone,
// and so is everything that a person did.
func details() []detail {
	const standing = `(SELECT occurrence FROM alarm WHERE occurrence <> 0)`
	return []detail{
		{
			what: "journal", times: `SELECT arrival FROM journal WHERE seq > (SELECT max(seq) FROM journal) - ? ORDER BY seq LIMIT 1`,
			find: `SELECT seq FROM journal WHERE arrival < ? AND who = '' AND kind IN ('link', 'presence', 'house', 'resume') ORDER BY arrival LIMIT ?`,
			drop: `DELETE FROM journal WHERE seq IN (SELECT value FROM json_each(?))`,
		},
		{
			what: "steps", times: `SELECT time FROM alarm_transition WHERE id > (SELECT max(id) FROM alarm_transition) - ? ORDER BY id LIMIT 1`,
			find: `SELECT id FROM alarm_transition WHERE time < ? AND occurrence NOT IN ` + standing + ` ORDER BY time LIMIT ?`,
			carry: `UPDATE occurrence SET calls = calls + n FROM (SELECT occurrence AS o, sum(annunciate) AS n FROM alarm_transition
				WHERE id IN (SELECT value FROM json_each(?)) GROUP BY occurrence) WHERE id = o`,
			drop: `DELETE FROM alarm_transition WHERE id IN (SELECT value FROM json_each(?))`,
		},
		{
			what: "occurrences", times: `SELECT raised_at FROM occurrence WHERE id > (SELECT max(id) FROM occurrence) - ? ORDER BY id LIMIT 1`,
			find: `SELECT id FROM occurrence WHERE raised_at < ? AND closed = 1 AND state <> 'null' AND id NOT IN ` + standing + ` ORDER BY raised_at LIMIT ?`,
			drop: `UPDATE occurrence SET state = 'null' WHERE id IN (SELECT value FROM json_each(?))`,
		},
		{
			what: "notices", times: `SELECT created_at FROM outbox WHERE id > (SELECT max(id) FROM outbox) - ? ORDER BY id LIMIT 1`,
			find: `SELECT id FROM outbox WHERE created_at < ?1 AND state <> 'pending' AND coalesce(done_at, created_at) < ?1
				AND id < coalesce((SELECT id FROM outbox WHERE created_at >= ?1 ORDER BY id LIMIT 1), 9223372036854775807)
				AND occurrence NOT IN ` + standing + ` ORDER BY id LIMIT ?2`,
			carry: `INSERT INTO outbox_condensed (channel, state, count) SELECT channel, state, count(*) FROM outbox
				WHERE id IN (SELECT value FROM json_each(?)) GROUP BY channel, state
				ON CONFLICT DO UPDATE SET count = outbox_condensed.count + excluded.count`,
			drop: `DELETE FROM outbox WHERE id IN (SELECT value FROM json_each(?))`,
		},
	}
}

// Condense lets go of details that are older than the policy says, in short
// transactions with everything else in between. Counts stay: calls with their
// occurrence, notices by channel and outcome.
func (s *Store) Condense(ctx context.Context, keep Keep) error {
	if err := s.dropMarks(ctx, keep); err != nil {
		return fmt.Errorf("delete old curves: %w", err)
	}
	if keep.DetailDays <= 0 {
		return nil
	}
	for _, d := range details() {
		if err := s.condense(ctx, &d, keep); err != nil {
			return fmt.Errorf("condense old %s: %w", d.what, err)
		}
	}
	return nil
}

func (s *Store) condense(ctx context.Context, d *detail, keep Keep) error {
	before := keep.Now.AddDate(0, 0, -keep.DetailDays).UnixMilli()
	var crowded sql.NullInt64
	err := s.db.QueryRowContext(ctx, d.times, detailRows).Scan(&crowded)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return describe(s.path, err)
	}
	before = max(before, min(crowded.Int64, keep.Now.AddDate(0, 0, -detailLeast).UnixMilli()))
	for {
		// Finding takes longer than letting go, and holds nobody up.
		ids, err := s.idsOf(ctx, d.find, before, condenseRows)
		if err != nil || len(ids) == 0 {
			return err
		}
		list, err := json.Marshal(ids)
		if err != nil {
			return err
		}
		err = s.change(ctx, func(ctx context.Context) error {
			_, err := s.conn.ExecContext(ctx, `INSERT INTO condensed (what, before, went) VALUES (?, ?, ?)
				ON CONFLICT DO UPDATE SET before = max(before, excluded.before), went = went + excluded.went`, d.what, before, len(ids))
			for _, query := range []string{d.carry, d.drop} {
				if err == nil && query != "" {
					_, err = s.conn.ExecContext(ctx, query, string(list))
				}
			}
			return err
		})
		if err != nil || len(ids) < condenseRows {
			return err
		}
	}
}

func (s *Store) idsOf(ctx context.Context, query string, args ...any) ([]int64, error) {
	return collect(ctx, s.Reader, func(rows *sql.Rows) (id int64, err error) {
		err = rows.Scan(&id)
		return id, err
	}, query, args...)
}

// dropMarks deletes daily curves that are no longer looked for.
func (s *Store) dropMarks(ctx context.Context, keep Keep) error {
	// A day more than is looked for, for days begin at different times.
	day := keep.Now.UTC().AddDate(0, 0, -MarkDays-2).Format(time.DateOnly)
	for {
		names, err := collect(ctx, s.Reader, func(rows *sql.Rows) (name string, err error) {
			err = rows.Scan(&name)
			return name, err
		}, `SELECT name FROM state WHERE name > ? AND name < ? AND substr(name, -10) < ?
			AND (substr(name, -2) <> '01' OR length(body) = 0) LIMIT ?`, MarkPrefix, MarkPrefix+"\x7f", day, condenseRows)
		if err != nil || len(names) == 0 {
			return err
		}
		list, err := json.Marshal(names)
		if err != nil {
			return err
		}
		err = s.change(ctx, func(ctx context.Context) error {
			_, err := s.conn.ExecContext(ctx, `DELETE FROM state WHERE name IN (SELECT value FROM json_each(?))`, string(list))
			return err
		})
		if err != nil {
			return err
		}
	}
}

// Condensed is up to when details are kept in short only: what machines wrote
// into the journal, steps of alarms, and notices. Zero times are those of which
// everything is there.
type Condensed struct{ Journal, Steps, Notices time.Time }

// Condensed gives up to when details are kept in short only.
func (r *Reader) Condensed(ctx context.Context) (c Condensed, err error) {
	err = eachRow(ctx, r.db, func(rows *sql.Rows) error {
		var what string
		var before sql.NullInt64
		err := rows.Scan(&what, &before)
		if at, known := map[string]*time.Time{"journal": &c.Journal, "steps": &c.Steps, "notices": &c.Notices}[what]; known {
			*at = fromMillis(before)
		}
		return err
	}, `SELECT what, before FROM condensed`)
	return c, describe(r.path, err)
}
