package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"rearguard/daemon/records/chunk"
	"rearguard/sensors"
)

// Bounds that keep each write transaction of Roll to a few milliseconds, since the
// engine's commits wait for it.
const (
	rollChunks = 16
	rollRows   = 1500
)

// rollMemory bounds the readings that Roll holds in memory at a time (about
// 40 bytes each).
const rollMemory = 2_000_000

// Rolled says what Roll did.
type Rolled struct {
	// Chunks is how many were written, Readings how many left the hot table.
	Chunks, Readings int
}

// Roll moves the readings of whole UTC days that end at or before the given
// time from the hot table into chunks. A late reading of a day that was
// rolled before is merged into its chunk. Commits go on meanwhile, and
// readers see every reading once. What a cancelled or failed Roll leaves
// behind, the next one finishes.
func (s *Store) Roll(ctx context.Context, before time.Time) (Rolled, error) {
	var done Rolled
	k, err := chunk.NewCodec()
	if err != nil {
		return done, err
	}
	defer k.Close()
	end := dayOf(before.UnixMilli()) * dayMillis
	for from := int64(-1 << 62); ; {
		var first sql.NullInt64
		err := s.db.QueryRowContext(ctx, `SELECT min(time) FROM hot WHERE time >= ? AND time < ?`, from, end).Scan(&first)
		if err != nil {
			return done, fmt.Errorf("roll history: %w", describe(s.path, err))
		}
		if !first.Valid {
			return done, nil
		}
		day := dayOf(first.Int64)
		if err := s.rollDay(ctx, k, day, &done); err != nil {
			return done, fmt.Errorf("roll history of %s: %w", time.UnixMilli(day*dayMillis).UTC().Format(time.DateOnly), err)
		}
		from = (day + 1) * dayMillis
	}
}

// rollDay first writes the chunks, which then hold what is also hot, and
// after that deletes from hot what it had read.
func (s *Store) rollDay(ctx context.Context, k *chunk.Codec, day int64, done *Rolled) error {
	s.rolling.Lock()
	defer s.rolling.Unlock()
	parts, err := s.writeChunks(ctx, k, day, done)
	if err != nil {
		return err
	}
	return s.deleteHot(ctx, parts, done)
}

func (s *Store) deleteHot(ctx context.Context, parts []slice, done *Rolled) error {
	for _, part := range parts {
		err := s.change(ctx, func(ctx context.Context) error {
			res, err := s.conn.ExecContext(ctx, `DELETE FROM hot WHERE time >= ? AND time < ?`, part.from, part.to)
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if err == nil && n != part.rows {
				err = errGrown
			}
			return err
		})
		switch {
		case err == nil:
			done.Readings += int(part.rows)
		case errors.Is(err, errGrown):
		default:
			return err
		}
	}
	return nil
}

// errGrown means that a reading came late while its day was being rolled. It
// is in no chunk yet, so its neighbours stay hot with it until the next Roll.
var errGrown = errors.New("more readings came")

// slice is a stretch of the hot table and how many rows it has.
type slice struct{ from, to, rows int64 }

// writeChunks brings the chunks of day up to date with the hot table and
// gives the stretches of it that they now hold.
func (s *Store) writeChunks(ctx context.Context, k *chunk.Codec, day int64, done *Rolled) ([]slice, error) {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, describe(s.path, err)
	}
	// Nothing is written through it.
	defer func() { _ = tx.Rollback() }()
	lo, hi := day*dayMillis, (day+1)*dayMillis
	parts, rows, err := slicesOf(ctx, tx, lo, hi)
	if err != nil {
		return nil, describe(s.path, err)
	}
	groups := 1 + rows/rollMemory
	for g := range groups {
		hot := make(map[int64]*chunk.Columns)
		err := eachHot(ctx, tx, "time >= ? AND time < ? AND series % ? = ?", []any{lo, hi, groups, g},
			func(t, id, arrival int64, raw, value float64, flag sensors.Flag) {
				columnsOf(hot, id).Append(t, arrival, raw, value, flag)
			})
		if err != nil {
			return nil, describe(s.path, err)
		}
		ids := make([]int64, 0, len(hot))
		for id := range hot {
			ids = append(ids, id)
		}
		slices.Sort(ids)
		for some := range slices.Chunk(ids, rollChunks) {
			if err := s.writeSome(ctx, tx, k, day, some, hot, done); err != nil {
				return nil, err
			}
		}
	}
	return parts, nil
}

// slicesOf cuts the hot rows with lo <= time < hi into stretches of about
// rollRows.
func slicesOf(ctx context.Context, q Querier, lo, hi int64) (parts []slice, total int64, err error) {
	part := slice{from: lo}
	err = eachRow(ctx, q, func(rows *sql.Rows) error {
		var t, n int64
		if err := rows.Scan(&t, &n); err != nil {
			return err
		}
		if part.rows > 0 && part.rows+n > rollRows {
			part.to = t
			parts = append(parts, part)
			part = slice{from: t}
		}
		part.rows += n
		total += n
		return nil
	}, `SELECT time, count(*) FROM hot WHERE time >= ? AND time < ? GROUP BY time ORDER BY time`, lo, hi)
	part.to = hi
	return append(parts, part), total, err
}

// coded is a chunk to write.
type coded struct {
	series, readings, first, last int64
	data                          []byte
}

// writeSome writes the chunks of a few series. Coding is done before the
// transaction.
func (s *Store) writeSome(ctx context.Context, q Querier, k *chunk.Codec, day int64, ids []int64, hot map[int64]*chunk.Columns, done *Rolled) error {
	var list []coded
	for _, id := range ids {
		c := hot[id]
		old, err := s.chunk(ctx, q, k, day, id)
		if err != nil {
			return err
		}
		if old != nil {
			var merged chunk.Columns
			chunk.Join(&merged, old, c)
			if merged.Len() == old.Len() {
				continue
			}
			c = &merged
		}
		first, last := c.Arrivals()
		list = append(list, coded{id, int64(c.Len()), first, last, k.Encode(c)})
	}
	if len(list) == 0 {
		return nil
	}
	// The place of a damaged one must be free.
	if err := quarantine(ctx, s); err != nil {
		return err
	}
	done.Chunks += len(list)
	return s.change(ctx, func(ctx context.Context) error {
		for i := range list {
			c := &list[i]
			_, err := s.conn.ExecContext(ctx, `INSERT INTO chunk (day, series, readings, min_arrival, max_arrival, data) VALUES (?, ?, ?, ?, ?, ?)
				ON CONFLICT (day, series) DO UPDATE SET readings = excluded.readings, min_arrival = excluded.min_arrival,
				max_arrival = excluded.max_arrival, data = excluded.data`, day, c.series, c.readings, c.first, c.last, c.data)
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// chunk reads and decodes one chunk, nil when there is none that can be read.
func (r *Reader) chunk(ctx context.Context, q Querier, k *chunk.Codec, day, series int64) (*chunk.Columns, error) {
	var data []byte
	err := q.QueryRowContext(ctx, `SELECT data FROM chunk WHERE day = ? AND series = ?`, day, series).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, describe(r.path, err)
	}
	c := &chunk.Columns{}
	if r.decode(ctx, q, k, c, day, series, data); c.Len() == 0 {
		return nil, nil
	}
	return c, nil
}
