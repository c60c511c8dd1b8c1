package records

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rearguard/daemon/records/chunk"
	"rearguard/sensors"
)

const dayMillis = 24 * 60 * 60 * 1000

// dayOf is the number of the UTC day that holds ms.
func dayOf(ms int64) int64 {
	d := ms / dayMillis
	if ms%dayMillis < 0 {
		d--
	}
	return d
}

// Has reports whether a reading of series at the time at is stored.
func (r *Reader) Has(ctx context.Context, series sensors.Series, at time.Time) (bool, error) {
	id, err := r.find(ctx, r.db, series)
	if err != nil || id == 0 {
		return false, err
	}
	ms := at.UnixMilli()
	var hot bool
	var data []byte
	err = r.has.QueryRowContext(ctx, ms, id, dayOf(ms)).Scan(&hot, &data)
	if err != nil || hot || data == nil {
		return hot, describe(r.path, err)
	}
	k, err := chunk.NewCodec()
	if err != nil {
		return false, err
	}
	defer k.Close()
	var c chunk.Columns
	if err := k.Decode(&c, data); err != nil {
		return false, r.damaged(dayOf(ms), id, err)
	}
	return c.Holds(ms), nil
}

func (r *Reader) damaged(day, series int64, err error) error {
	return fmt.Errorf("%w: %s (%s): chunk of series %d on %s: %w", ErrCorrupt, r.path, advice(ErrCorrupt),
		series, time.UnixMilli(day*dayMillis).UTC().Format(time.DateOnly), err)
}

// Scan gives the readings of series (of all series when there are none) whose
// time is in [from, to), in order of time, then sensor, then quantity. It
// sees the history as it stood when the scan began; until it ends the file's
// log cannot shrink.
func (r *Reader) Scan(ctx context.Context, series []sensors.Series, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		var m chunk.Merger
		for day, err := range r.ScanDays(ctx, series, from, to) {
			if err != nil {
				yield(sensors.Reading{}, err)
				return
			}
			if !m.Each(day, func(rd sensors.Reading) bool { return yield(rd, nil) }) {
				return
			}
		}
	}
}

// ScanDays gives the same readings as Scan by UTC day, as the columns of each
// series that has any on that day, ordered by sensor and quantity. The
// columns are valid until the next step. This is the fast way to read much.
func (r *Reader) ScanDays(ctx context.Context, series []sensors.Series, from, to time.Time) iter.Seq2[[]*chunk.Columns, error] {
	return func(yield func([]*chunk.Columns, error) bool) {
		s, err := r.newDayScan(ctx, series)
		if err != nil {
			yield(nil, err)
			return
		}
		defer s.close()
		if s.none {
			return
		}
		lo, hi := from.UnixMilli(), to.UnixMilli()
		for at := lo; at < hi; {
			day, err := s.next(ctx, at)
			if err != nil {
				yield(nil, err)
				return
			}
			if day > dayOf(hi-1) {
				return
			}
			at = (day + 1) * dayMillis
			list, err := s.load(ctx, day, max(lo, day*dayMillis), min(hi, at))
			if err != nil {
				yield(nil, err)
				return
			}
			if len(list) > 0 && !yield(list, nil) {
				return
			}
		}
	}
}

// dayScan reads history by day within one transaction.
type dayScan struct {
	r     *Reader
	tx    *sql.Tx
	codec *chunk.Codec
	names map[int64]sensors.Series
	// filter is an SQL condition on series; none is set when no series can
	// fulfil it.
	filter         string
	none           bool
	hot, cold, out map[int64]*chunk.Columns
}

func (r *Reader) newDayScan(ctx context.Context, series []sensors.Series) (*dayScan, error) {
	k, err := chunk.NewCodec()
	if err != nil {
		return nil, err
	}
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		k.Close()
		return nil, describe(r.path, err)
	}
	s := &dayScan{r: r, tx: tx, codec: k, hot: map[int64]*chunk.Columns{}, cold: map[int64]*chunk.Columns{}, out: map[int64]*chunk.Columns{}}
	s.names, err = r.names(ctx, tx)
	if err != nil {
		s.close()
		return nil, err
	}
	if len(series) > 0 {
		var ids []string
		for id, name := range s.names {
			if slices.Contains(series, name) {
				ids = append(ids, strconv.FormatInt(id, 10))
			}
		}
		s.none = len(ids) == 0
		s.filter = " AND series IN (" + strings.Join(ids, ",") + ")"
	}
	return s, nil
}

func (s *dayScan) close() {
	s.codec.Close()
	// Nothing was written; there is nothing to lose.
	_ = s.tx.Rollback()
}

// next gives the first day from the one of ms on that has any readings,
// math.MaxInt64 when there is none.
func (s *dayScan) next(ctx context.Context, ms int64) (int64, error) {
	var chunk, hot sql.NullInt64
	err := s.tx.QueryRowContext(ctx, `SELECT (SELECT min(day) FROM chunk WHERE day >= ?), (SELECT min(time) FROM hot WHERE time >= ?)`,
		dayOf(ms), ms).Scan(&chunk, &hot)
	day := int64(math.MaxInt64)
	if chunk.Valid {
		day = chunk.Int64
	}
	if hot.Valid {
		day = min(day, dayOf(hot.Int64))
	}
	return day, describe(s.r.path, err)
}

// load gives the readings of day with lo <= time < hi.
func (s *dayScan) load(ctx context.Context, day, lo, hi int64) ([]*chunk.Columns, error) {
	for _, m := range []map[int64]*chunk.Columns{s.hot, s.cold} {
		for _, c := range m {
			c.Reset()
		}
	}
	if err := s.loadChunks(ctx, day); err != nil {
		return nil, err
	}
	err := eachHot(ctx, s.tx, "time >= ? AND time < ?"+s.filter, []any{lo, hi}, func(t, id, arrival int64, raw, value float64, flag sensors.Flag) {
		columnsOf(s.hot, id).Append(t, arrival, raw, value, flag)
	})
	if err != nil {
		return nil, describe(s.r.path, err)
	}
	var list []*chunk.Columns
	for id, name := range s.names {
		hot, cold := columnsOf(s.hot, id), columnsOf(s.cold, id)
		c := cold
		switch {
		case cold.Len() == 0:
			c = hot
		case hot.Len() > 0:
			c = columnsOf(s.out, id)
			chunk.Join(c, cold, hot)
		}
		c = c.Between(lo, hi)
		if c.Len() > 0 {
			c.Series = name
			list = append(list, c)
		}
	}
	slices.SortFunc(list, func(a, b *chunk.Columns) int { return sensors.CompareSeries(a.Series, b.Series) })
	return list, nil
}

func (s *dayScan) loadChunks(ctx context.Context, day int64) error {
	rows, err := s.tx.QueryContext(ctx, "SELECT series, data FROM chunk WHERE day = ?"+s.filter, day)
	if err != nil {
		return describe(s.r.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var data sql.RawBytes
		if err := rows.Scan(&id, &data); err != nil {
			return describe(s.r.path, err)
		}
		if err := s.codec.Decode(columnsOf(s.cold, id), data); err != nil {
			return s.r.damaged(day, id, err)
		}
	}
	return describe(s.r.path, rows.Err())
}

// eachHot gives the hot rows that fulfil the condition in order of time.
func eachHot(ctx context.Context, q querier, where string, args []any, f func(t, id, arrival int64, raw, value float64, flag sensors.Flag)) error {
	rows, err := q.QueryContext(ctx, "SELECT time, series, arrival, raw, value, flag FROM hot WHERE "+where+" ORDER BY time, series", args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var t, id, arrival int64
		var raw, value sql.NullFloat64
		var flag sensors.Flag
		if err := rows.Scan(&t, &id, &arrival, &raw, &value, &flag); err != nil {
			return err
		}
		f(t, id, arrival, fromNumber(raw), fromNumber(value), flag)
	}
	return rows.Err()
}

// fromNumber is the inverse of number.
func fromNumber(v sql.NullFloat64) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.Float64
}

func columnsOf(m map[int64]*chunk.Columns, id int64) *chunk.Columns {
	c := m[id]
	if c == nil {
		c = &chunk.Columns{}
		m[id] = c
	}
	return c
}
