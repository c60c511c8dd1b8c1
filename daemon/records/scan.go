package records

import (
	"context"
	"database/sql"
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
	if damaged(r.path, err) {
		return r.hasHot(ctx, id, ms)
	}
	if err != nil || hot || data == nil {
		return hot, describe(r.path, err)
	}
	k, err := chunk.NewCodec()
	if err != nil {
		return false, err
	}
	defer k.Close()
	var c chunk.Columns
	r.decode(ctx, r.db, k, &c, dayOf(ms), id, data)
	return c.Holds(ms), nil
}

// hasHot is Has where the day cannot be read from the file: what can still be
// told is whether the reading is hot.
func (r *Reader) hasHot(ctx context.Context, id, ms int64) (hot bool, err error) {
	err = r.db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM hot WHERE time = ? AND series = ?)`, ms, id).Scan(&hot)
	if damaged(r.path, err) {
		r.hole(ctx, r.db, dayOf(ms), 0)
		return false, nil
	}
	r.hole(ctx, r.db, dayOf(ms), id)
	return hot, describe(r.path, err)
}

// Scan gives the readings of series (of all series when there are none) whose
// time is in [from, to), in order of time, then sensor, then quantity. It
// reads a day at a time and holds nothing while the caller works: each day is
// seen as it stands when the scan comes to it. What cannot be read is left out,
// and noted (see Damage).
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
		defer s.codec.Close()
		lo, hi := from.UnixMilli(), to.UnixMilli()
		for !s.none && lo < hi {
			day, err := s.load(ctx, lo, hi)
			if err != nil {
				yield(nil, err)
				return
			}
			if day == noDay {
				return
			}
			lo = (day + 1) * dayMillis
			if list := s.columns(); len(list) > 0 && !yield(list, nil) {
				return
			}
		}
	}
}

// noDay is the day after the last one that has readings.
const noDay = math.MaxInt64

// dayScan reads history by day, each day in one look at the file.
type dayScan struct {
	r     *Reader
	codec *chunk.Codec
	names map[int64]sensors.Series
	// filter is an SQL condition on series; none is set when no series can
	// fulfil it.
	filter string
	none   bool
	// hot and cold are the readings of the present day by series, from the
	// hot table and from chunks, out those of both.
	hot, cold, out map[int64]*chunk.Columns
	lo, hi         int64
}

func (r *Reader) newDayScan(ctx context.Context, series []sensors.Series) (*dayScan, error) {
	s := &dayScan{r: r, hot: map[int64]*chunk.Columns{}, cold: map[int64]*chunk.Columns{}, out: map[int64]*chunk.Columns{}}
	var err error
	if s.names, err = r.names(ctx, r.db); err != nil {
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
	s.codec, err = chunk.NewCodec()
	return s, err
}

// load reads the readings with lo <= time < hi of the first day that has any,
// and gives that day.
func (s *dayScan) load(ctx context.Context, lo, hi int64) (day int64, err error) {
	for _, m := range []map[int64]*chunk.Columns{s.hot, s.cold} {
		for _, c := range m {
			c.Reset()
		}
	}
	err = s.r.look(ctx, func(q Querier) error {
		if day, err = next(ctx, q, lo); err != nil {
			return err
		}
		if day > dayOf(hi-1) {
			day = noDay
			return nil
		}
		s.lo, s.hi = max(lo, day*dayMillis), min(hi, (day+1)*dayMillis)
		if err := s.loadChunks(ctx, q, day); err != nil {
			return err
		}
		err := eachHot(ctx, q, "time >= ? AND time < ?"+s.filter, []any{s.lo, s.hi}, func(t, id, arrival int64, raw, value float64, flag sensors.Flag) {
			columnsOf(s.hot, id).Append(t, arrival, raw, value, flag)
		})
		return s.r.hotHole(ctx, q, s.lo, s.hi, err)
	})
	return day, err
}

// next gives the first day from the one of ms on that has any readings, noDay
// when there is none.
func next(ctx context.Context, q Querier, ms int64) (int64, error) {
	var chunk, hot sql.NullInt64
	err := q.QueryRowContext(ctx, `SELECT (SELECT min(day) FROM chunk WHERE day >= ?), (SELECT min(time) FROM hot WHERE time >= ?)`,
		dayOf(ms), ms).Scan(&chunk, &hot)
	day := int64(noDay)
	if chunk.Valid {
		day = chunk.Int64
	}
	if hot.Valid {
		day = min(day, dayOf(hot.Int64))
	}
	return day, err
}

// columns puts together what load has read.
func (s *dayScan) columns() []*chunk.Columns {
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
		c = c.Between(s.lo, s.hi)
		if c.Len() > 0 {
			c.Series = name
			list = append(list, c)
		}
	}
	slices.SortFunc(list, func(a, b *chunk.Columns) int { return sensors.CompareSeries(a.Series, b.Series) })
	return list
}

func (s *dayScan) loadChunks(ctx context.Context, q Querier, day int64) error {
	err := eachRow(ctx, q, func(rows *sql.Rows) error {
		var id int64
		var data sql.RawBytes
		if err := rows.Scan(&id, &data); err != nil {
			return err
		}
		s.r.decode(ctx, q, s.codec, columnsOf(s.cold, id), day, id, data)
		return nil
	}, "SELECT series, data FROM chunk WHERE day = ?"+s.filter, day)
	if !damaged(s.r.path, err) {
		return err
	}
	return s.r.eachPacked(ctx, q, func(p packed) {
		s.r.decode(ctx, q, s.codec, columnsOf(s.cold, p.series), day, p.series, p.data)
	}, "day = ?"+s.filter, day)
}

// eachHot gives the hot rows that fulfil the condition in order of time.
func eachHot(ctx context.Context, q Querier, where string, args []any, f func(t, id, arrival int64, raw, value float64, flag sensors.Flag)) error {
	return eachRow(ctx, q, func(rows *sql.Rows) error {
		var t, id, arrival int64
		var raw, value sql.NullFloat64
		var flag sensors.Flag
		if err := rows.Scan(&t, &id, &arrival, &raw, &value, &flag); err != nil {
			return err
		}
		f(t, id, arrival, fromNumber(raw), fromNumber(value), flag)
		return nil
	}, "SELECT time, series, arrival, raw, value, flag FROM hot WHERE "+where+" ORDER BY time, series", args...)
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
