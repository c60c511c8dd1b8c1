// Package upkeep keeps the file of the records from growing for ever: it lets
// go of details in time and gives the disk back what is no longer used. It
// works in short transactions beside everything else.
package upkeep

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"rearguard/daemon/records"
)

// Bounds of what is condensed.
const (
	// condenseRows is how many rows go in one transaction.
	condenseRows = 500
	// detailRows is Keep.DetailRows unless given; detailLeast is the week.
	detailRows  = 200_000
	detailLeast = 7
)

// Keep says what of the records stays in full.
type Keep struct {
	// Now is the present time.
	Now time.Time
	// DetailDays is how long the steps of alarms that are over, notices that
	// came to their end, and what machines wrote into the journal are kept; 0
	// is for ever. Incidents are kept for ever.
	DetailDays int
	// DetailRows is how many rows of one kind of these are kept at most, however
	// young, but for those of the last week: something that flaps writes
	// thousands a day. 200,000 when zero.
	DetailRows int
}

// detail is one kind of row that is condensed once it is old. Find gives the
// numbers of rows older than a time, at most so many; carry keeps in short what
// is needed of the rows in a JSON list, and drop lets them go. What is for years
// goes only where there is too much of it.
type detail struct {
	what, times string
	find        string
	carry, drop string
	forYears    bool
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
			find: `SELECT id FROM occurrence WHERE raised_at < ? AND state <> 'null' AND id NOT IN ` + standing + ` ORDER BY raised_at LIMIT ?`,
			drop: `UPDATE occurrence SET state = 'null' WHERE id IN (SELECT value FROM json_each(?))`,
		},
		{
			what: "notices", times: `SELECT created_at FROM outbox WHERE id > (SELECT max(id) FROM outbox) - ? ORDER BY id LIMIT 1`,
			find: `SELECT id FROM outbox WHERE created_at < ?1 AND state <> 'pending' AND coalesce(done_at, created_at) < ?1
				AND id < coalesce((SELECT id FROM outbox WHERE created_at >= ?1 ORDER BY id LIMIT 1), 9223372036854775807)
				AND occurrence NOT IN ` + standing + ` ORDER BY id LIMIT ?2`,
			drop: `DELETE FROM outbox WHERE id IN (SELECT value FROM json_each(?))`,
		},
		{
			what: "incidents", forYears: true,
			times: `SELECT ended_at FROM incident ORDER BY ended_at DESC LIMIT 1 OFFSET ?`,
			find:  `SELECT number FROM incident WHERE ended_at <= ? ORDER BY ended_at LIMIT ?`,
			drop:  `DELETE FROM incident WHERE number IN (SELECT value FROM json_each(?))`,
		},
	}
}

// Condense lets go of details that are older than the policy says, in short
// transactions with everything else in between. Counts stay: calls with their
// occurrence, notices by channel and outcome.
func Condense(ctx context.Context, s *records.Store, keep Keep) error {
	if err := dropMarks(ctx, s, keep); err != nil {
		return fmt.Errorf("delete old curves: %w", err)
	}
	if keep.DetailDays <= 0 {
		return nil
	}
	for _, d := range details() {
		if err := condense(ctx, s, &d, keep); err != nil {
			return fmt.Errorf("condense old %s: %w", d.what, err)
		}
	}
	return nil
}

func condense(ctx context.Context, s *records.Store, d *detail, keep Keep) error {
	var before int64
	if !d.forYears {
		before = keep.Now.AddDate(0, 0, -keep.DetailDays).UnixMilli()
	}
	crowded, err := column[sql.NullInt64](ctx, s, d.times, cmp.Or(keep.DetailRows, detailRows))
	if err != nil {
		return err
	}
	if len(crowded) == 0 {
		return nil
	}
	before = max(before, min(crowded[0].Int64, keep.Now.AddDate(0, 0, -detailLeast).UnixMilli()))
	for {
		// Finding takes longer than letting go, and holds nobody up.
		ids, err := column[int64](ctx, s, d.find, before, condenseRows)
		if err != nil || len(ids) == 0 {
			return err
		}
		list, err := json.Marshal(ids)
		if err != nil {
			return err
		}
		err = s.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
			_, err := c.ExecContext(ctx, `INSERT INTO condensed (what, before, went) VALUES (?, ?, ?)
				ON CONFLICT DO UPDATE SET before = max(before, excluded.before), went = went + excluded.went`, d.what, before, len(ids))
			for _, query := range []string{d.carry, d.drop} {
				if err == nil && query != "" {
					_, err = c.ExecContext(ctx, query, string(list))
				}
			}
			return err
		})
		if err != nil || len(ids) < condenseRows {
			return err
		}
	}
}

// column runs a query and gives its one column.
func column[T any](ctx context.Context, s *records.Store, query string, args ...any) (list []T, err error) {
	err = s.Read(ctx, func(q records.Querier) error {
		rows, err := q.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var v T
			if err := rows.Scan(&v); err != nil {
				return err
			}
			list = append(list, v)
		}
		return rows.Err()
	})
	return list, err
}

// dropMarks deletes daily curves that are no longer looked for.
func dropMarks(ctx context.Context, s *records.Store, keep Keep) error {
	// A day more than is looked for, for days begin at different times.
	day := keep.Now.UTC().AddDate(0, 0, -records.MarkDays-2).Format(time.DateOnly)
	for {
		names, err := column[string](ctx, s, `SELECT name FROM state WHERE name > ? AND name < ? AND substr(name, -10) < ?
			AND (substr(name, -2) <> '01' OR length(body) = 0) LIMIT ?`, records.MarkPrefix, records.MarkPrefix+"\x7f", day, condenseRows)
		if err != nil || len(names) == 0 {
			return err
		}
		list, err := json.Marshal(names)
		if err != nil {
			return err
		}
		err = s.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
			_, err := c.ExecContext(ctx, `DELETE FROM state WHERE name IN (SELECT value FROM json_each(?))`, string(list))
			return err
		})
		if err != nil {
			return err
		}
	}
}
