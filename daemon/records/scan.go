package records

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

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
	k, err := newCodec()
	if err != nil {
		return false, err
	}
	defer k.close()
	var c Columns
	if err := k.decode(&c, data); err != nil {
		return false, r.damaged(dayOf(ms), id, err)
	}
	return c.holds(ms), nil
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
		var m merger
		for day, err := range r.ScanDays(ctx, series, from, to) {
			if err != nil {
				yield(sensors.Reading{}, err)
				return
			}
			if !m.run(day, func(rd sensors.Reading) bool { return yield(rd, nil) }) {
				return
			}
		}
	}
}

// ScanDays gives the same readings as Scan by UTC day, as the columns of each
// series that has any on that day, ordered by sensor and quantity. The
// columns are valid until the next step. This is the fast way to read much.
func (r *Reader) ScanDays(ctx context.Context, series []sensors.Series, from, to time.Time) iter.Seq2[[]*Columns, error] {
	return func(yield func([]*Columns, error) bool) {
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
	codec *codec
	names map[int64]sensors.Series
	// filter is an SQL condition on series; none is set when no series can
	// fulfil it.
	filter         string
	none           bool
	hot, cold, out map[int64]*Columns
}

func (r *Reader) newDayScan(ctx context.Context, series []sensors.Series) (*dayScan, error) {
	k, err := newCodec()
	if err != nil {
		return nil, err
	}
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		k.close()
		return nil, describe(r.path, err)
	}
	s := &dayScan{r: r, tx: tx, codec: k, hot: map[int64]*Columns{}, cold: map[int64]*Columns{}, out: map[int64]*Columns{}}
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
	s.codec.close()
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
func (s *dayScan) load(ctx context.Context, day, lo, hi int64) ([]*Columns, error) {
	for _, m := range []map[int64]*Columns{s.hot, s.cold} {
		for _, c := range m {
			c.reset()
		}
	}
	if err := s.loadChunks(ctx, day); err != nil {
		return nil, err
	}
	err := eachHot(ctx, s.tx, "time >= ? AND time < ?"+s.filter, []any{lo, hi}, func(t, id, arrival int64, raw, value float64, flag sensors.Flag) {
		columnsOf(s.hot, id).add(t, arrival, raw, value, flag)
	})
	if err != nil {
		return nil, describe(s.r.path, err)
	}
	var list []*Columns
	for id, name := range s.names {
		hot, cold := columnsOf(s.hot, id), columnsOf(s.cold, id)
		c := cold
		switch {
		case cold.Len() == 0:
			c = hot
		case hot.Len() > 0:
			c = columnsOf(s.out, id)
			mergeColumns(c, cold, hot)
		}
		c = c.between(lo, hi)
		if c.Len() > 0 {
			c.Series = name
			list = append(list, c)
		}
	}
	slices.SortFunc(list, func(a, b *Columns) int { return compareSeries(a.Series, b.Series) })
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
		if err := s.codec.decode(columnsOf(s.cold, id), data); err != nil {
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

func columnsOf(m map[int64]*Columns, id int64) *Columns {
	c := m[id]
	if c == nil {
		c = &Columns{}
		m[id] = c
	}
	return c
}

// between gives the part of c with lo <= time < hi.
func (c *Columns) between(lo, hi int64) *Columns {
	i := sort.Search(c.Len(), func(i int) bool { return c.Time[i] >= lo })
	j := sort.Search(c.Len(), func(i int) bool { return c.Time[i] >= hi })
	if i == 0 && j == c.Len() {
		return c
	}
	return &Columns{Series: c.Series, Time: c.Time[i:j], Arrival: c.Arrival[i:j],
		Raw: c.Raw[i:j], Value: c.Value[i:j], Flag: c.Flag[i:j]}
}

// mergeColumns sets dst to the readings of first and second in order of time.
// Where both have one of the same time that of first holds: it was stored
// before.
func mergeColumns(dst, first, second *Columns) {
	dst.reset()
	i, j := 0, 0
	for i < first.Len() || j < second.Len() {
		if j == second.Len() || i < first.Len() && first.Time[i] <= second.Time[j] {
			if j < second.Len() && first.Time[i] == second.Time[j] {
				j++
			}
			dst.add(first.Time[i], first.Arrival[i], first.Raw[i], first.Value[i], first.Flag[i])
			i++
			continue
		}
		dst.add(second.Time[j], second.Arrival[j], second.Raw[j], second.Value[j], second.Flag[j])
		j++
	}
}

func compareSeries(a, b sensors.Series) int {
	if c := strings.Compare(string(a.Sensor), string(b.Sensor)); c != 0 {
		return c
	}
	return int(a.Quantity) - int(b.Quantity)
}

// reading gives row i.
func (c *Columns) reading(i int) sensors.Reading {
	return sensors.Reading{
		Series: c.Series, Time: time.UnixMilli(c.Time[i]).UTC(), Arrival: time.UnixMilli(c.Arrival[i]).UTC(),
		Raw: c.Raw[i], Value: c.Value[i], Flag: c.Flag[i],
	}
}

// merger gives the readings of several columns in order of time. heap holds
// the index of each column that is not used up, the earliest on top; equal
// times are in the order of the list.
type merger struct {
	list []*Columns
	at   []int
	heap []int
}

func (m *merger) less(a, b int) bool {
	ta, tb := m.list[a].Time[m.at[a]], m.list[b].Time[m.at[b]]
	return ta < tb || ta == tb && a < b
}

func (m *merger) run(list []*Columns, yield func(sensors.Reading) bool) bool {
	m.list, m.at, m.heap = list, slices.Grow(m.at[:0], len(list))[:len(list)], m.heap[:0]
	clear(m.at)
	for i := range list {
		m.heap = append(m.heap, i)
	}
	for i := len(m.heap) / 2; i >= 0; i-- {
		m.down(i)
	}
	for len(m.heap) > 0 {
		top := m.heap[0]
		c := list[top]
		if !yield(c.reading(m.at[top])) {
			return false
		}
		if m.at[top]++; m.at[top] == c.Len() {
			last := len(m.heap) - 1
			m.heap[0] = m.heap[last]
			m.heap = m.heap[:last]
		}
		m.down(0)
	}
	return true
}

func (m *merger) down(i int) {
	for {
		child := 2*i + 1
		if child >= len(m.heap) {
			return
		}
		if child+1 < len(m.heap) && m.less(m.heap[child+1], m.heap[child]) {
			child++
		}
		if !m.less(m.heap[child], m.heap[i]) {
			return
		}
		m.heap[i], m.heap[child] = m.heap[child], m.heap[i]
		i = child
	}
}
