package records

import (
	"cmp"
	"context"
	"database/sql"
	"iter"
	"math"
	"slices"
	"time"

	"rearguard/daemon/records/chunk"
	"rearguard/sensors"
)

// Bounds on the readings that ScanArrival has in memory at a time.
const (
	// windowRows bounds those from chunks that it sorts at a time.
	windowRows = 500_000
	// lookRows bounds those from the hot table that it keeps of one look.
	lookRows = 200_000
)

// ScanArrival gives all readings that arrived in [from, to), however long after
// their time they came, as the engine handled them: in order of arrival, then
// series, then time. What arrives after the scan began is not given. It holds
// about one day of arrivals in memory, and nothing of the file while the
// caller works.
func (r *Reader) ScanArrival(ctx context.Context, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		if err := r.scanArrival(ctx, from.UnixMilli(), to.UnixMilli(), lookRows, func(rd sensors.Reading) bool { return yield(rd, nil) }); err != nil {
			yield(sensors.Reading{}, err)
		}
	}
}

func (r *Reader) scanArrival(ctx context.Context, from, to int64, limit int, yield func(sensors.Reading) bool) error {
	k, err := chunk.NewCodec()
	if err != nil {
		return err
	}
	defer k.Close()
	s := &arrivalScan{r: r, codec: k, limit: limit, span: dayMillis}
	if err := r.look(ctx, func(q Querier) error { return s.survey(ctx, q, from, to) }); err != nil {
		return err
	}
	for at := from; at < s.end; {
		var w window
		if err := r.look(ctx, func(q Querier) (err error) {
			w, err = s.read(ctx, q, at)
			return err
		}); err != nil {
			return err
		}
		empty := len(w.hot)+len(w.chunks) == 0
		if !s.give(ctx, &w, yield) {
			return nil
		}
		at = w.hi
		if !empty {
			continue
		}
		// Years can lie between two arrivals, where a clock was moved.
		if err := r.look(ctx, func(q Querier) (err error) {
			at, err = s.next(ctx, q, w.hi)
			return err
		}); err != nil {
			return err
		}
	}
	return nil
}

// arrived is one reading on its way through ScanArrival. Rank is the place of
// its series in the order of names.
type arrived struct {
	arrival, time int64
	rank          int
	raw, value    float64
	flag          sensors.Flag
}

// compareArrived is the order of ScanArrival.
func compareArrived(a, b arrived) int {
	switch {
	case a.arrival != b.arrival:
		return cmp.Compare(a.arrival, b.arrival)
	case a.rank != b.rank:
		return a.rank - b.rank
	}
	return cmp.Compare(a.time, b.time)
}

// arrivalScan goes through history by windows of arrival. Roll moves readings
// from the hot table to chunks between two windows but never changes their
// arrival, and each window is read in one look: so each reading is seen once.
type arrivalScan struct {
	r      *Reader
	codec  *chunk.Codec
	ranks  map[int64]int
	series []sensors.Series
	// end is after the last arrival there was when the scan began.
	end int64
	hot hotExtent
	// reach is the longest time between the first and the last arrival of any
	// chunk when the scan began.
	reach int64
	// limit bounds the hot readings of a window. Span is the length of one that
	// has any: a day, or less when the last one would have had too many.
	limit int
	span  int64
	buf   []arrived
}

// hotExtent says where the hot readings lay when the scan began.
type hotExtent struct {
	// first and last bound their arrival; first is the greater when there is
	// none.
	first, last int64
	// early and late bound how long their time lies after their arrival.
	early, late int64
}

// meets reports whether any of them may have arrived in [lo, hi).
func (h *hotExtent) meets(lo, hi int64) bool { return lo <= h.last && hi > h.first }

// survey looks where the readings are that arrived in [from, to).
func (s *arrivalScan) survey(ctx context.Context, q Querier, from, to int64) error {
	names, err := s.r.names(ctx, q)
	if err != nil {
		return err
	}
	ids := make([]int64, 0, len(names))
	for id := range names {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b int64) int { return sensors.CompareSeries(names[a], names[b]) })
	s.ranks = make(map[int64]int, len(ids))
	for rank, id := range ids {
		s.ranks[id] = rank
		s.series = append(s.series, names[id])
	}
	h := &s.hot
	err = q.QueryRowContext(ctx, `SELECT coalesce(min(arrival), ?), coalesce(max(arrival), ?),
		coalesce(min(time - arrival), 0), coalesce(max(time - arrival), 0) FROM hot WHERE arrival >= ? AND arrival < ?`,
		math.MaxInt64, math.MinInt64, from, to).Scan(&h.first, &h.last, &h.early, &h.late)
	if err != nil {
		return err
	}
	var last int64
	err = q.QueryRowContext(ctx, `SELECT coalesce(max(max_arrival - min_arrival), 0), coalesce(max(max_arrival), ?) FROM chunk
		WHERE max_arrival >= ? AND min_arrival < ?`, math.MinInt64, from, to).Scan(&s.reach, &last)
	if last = max(last, h.last); last < to {
		to = last + 1
	}
	s.end = to
	return err
}

// window is what arrived in [lo, hi): chunks that reach into it, and the hot
// readings that are in no chunk.
type window struct {
	lo, hi int64
	chunks []packed
	hot    []arrived
}

// packed is a chunk as it is stored.
type packed struct {
	day, series, readings, first, last int64
	data                               []byte
}

// earliest gives the least first arrival of chunks that may reach to lo.
// Only what was hot when the scan began can have lengthened a chunk by
// arrivals that it has still to give.
func (s *arrivalScan) earliest(lo int64) int64 {
	if s.hot.meets(lo, lo+1) {
		return math.MinInt64
	}
	return lo - s.reach
}

// read reads the first window from at on in which anything may have arrived.
func (s *arrivalScan) read(ctx context.Context, q Querier, at int64) (w window, err error) {
	w.lo = s.end
	if at <= s.hot.last {
		w.lo = max(at, s.hot.first)
	}
	var first int64
	err = q.QueryRowContext(ctx, `SELECT coalesce((SELECT min_arrival FROM chunk WHERE min_arrival >= ? AND max_arrival >= ?
		ORDER BY min_arrival LIMIT 1), ?)`, s.earliest(at), at, s.end).Scan(&first)
	if err != nil {
		return w, err
	}
	w.lo = min(w.lo, max(at, first))
	w.hi = min((dayOf(w.lo)+1)*dayMillis, s.end)
	if w.lo < s.hot.first {
		w.hi = min(w.hi, s.hot.first)
	}
	if s.hot.meets(w.lo, w.hi) {
		w.hi = min(w.hi, w.lo+s.span)
		if err := s.readHot(ctx, q, &w); err != nil {
			return w, err
		}
	}
	err = s.readChunks(ctx, q, &w)
	return w, err
}

// next gives the first time from at on at which anything may have arrived.
func (s *arrivalScan) next(ctx context.Context, q Querier, at int64) (int64, error) {
	var hot, packed int64
	err := q.QueryRowContext(ctx, `SELECT coalesce((SELECT min(arrival) FROM hot WHERE arrival >= ?), ?),
		coalesce((SELECT min(max(min_arrival, ?)) FROM chunk WHERE max_arrival >= ?), ?)`, at, s.end, at, at, s.end).Scan(&hot, &packed)
	return min(hot, packed), err
}

func (s *arrivalScan) readChunks(ctx context.Context, q Querier, w *window) error {
	return s.r.eachPacked(ctx, q, func(p packed) { w.chunks = append(w.chunks, p) },
		`min_arrival >= ? AND min_arrival < ? AND max_arrival >= ?`, s.earliest(w.lo), w.hi, w.lo)
}

// readHot reads the hot part of w, and brings its end forward when that would
// be too much for one look.
func (s *arrivalScan) readHot(ctx context.Context, q Querier, w *window) error {
	rolled := rolledDay{s: s, day: noDay}
	wanted := w.hi
	err := eachRow(ctx, q, func(rows *sql.Rows) error {
		var a arrived
		var id int64
		var raw, value sql.NullFloat64
		if err := rows.Scan(&a.time, &id, &a.arrival, &raw, &value, &a.flag); err != nil {
			return err
		}
		rank, known := s.ranks[id]
		if !known || a.arrival >= w.hi {
			return nil
		}
		if has, err := rolled.has(ctx, q, id, a.time); err != nil || has {
			return err
		}
		a.rank, a.raw, a.value = rank, fromNumber(raw), fromNumber(value)
		w.hot = append(w.hot, a)
		for len(w.hot) > s.limit && w.hi-w.lo > 1 {
			w.hi = w.lo + (w.hi-w.lo)/2
			w.hot = slices.DeleteFunc(w.hot, func(a arrived) bool { return a.arrival >= w.hi })
		}
		return nil
	}, `SELECT time, series, arrival, raw, value, flag FROM hot
		WHERE time >= ? AND time < ? AND arrival >= ? AND arrival < ? ORDER BY time, series`,
		w.lo+s.hot.early, w.hi+s.hot.late, w.lo, w.hi)
	if err := s.r.hotHole(ctx, q, w.lo+s.hot.early, w.hi+s.hot.late, err); err != nil {
		return err
	}
	switch {
	case w.hi < wanted:
		s.span = w.hi - w.lo
	case len(w.hot) <= s.limit/4:
		s.span = min(2*s.span, dayMillis)
	}
	return nil
}

// rolledDay tells which readings of a day are in its chunks: one that is hot
// as well was sent again after its day was rolled, or is just being rolled.
type rolledDay struct {
	s         *arrivalScan
	day       int64
	hasChunks bool
	series    map[int64]*chunk.Columns
}

func (d *rolledDay) has(ctx context.Context, q Querier, series, ms int64) (bool, error) {
	if day := dayOf(ms); day != d.day {
		d.day, d.series = day, map[int64]*chunk.Columns{}
		err := q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM chunk WHERE day = ?)`, day).Scan(&d.hasChunks)
		if err != nil {
			return false, err
		}
	}
	if !d.hasChunks {
		return false, nil
	}
	c, ok := d.series[series]
	if !ok {
		var err error
		if c, err = d.s.r.chunk(ctx, q, d.s.codec, d.day, series); err != nil {
			return false, err
		}
		d.series[series] = c
	}
	return c != nil && c.Holds(ms), nil
}

// give takes the chunks of w apart and hands its readings on, in parts when
// they are many. It reports false when the receiver wants no more.
func (s *arrivalScan) give(ctx context.Context, w *window, yield func(sensors.Reading) bool) bool {
	slices.SortFunc(w.hot, compareArrived)
	total := int64(0)
	for i := range w.chunks {
		total += w.chunks[i].readings
	}
	step := (w.hi-w.lo)/(1+total/windowRows) + 1
	for lo := w.lo; lo < w.hi; lo += step {
		hi := min(lo+step, w.hi)
		s.unpack(ctx, w.chunks, lo, hi)
		n, _ := slices.BinarySearchFunc(w.hot, hi, func(a arrived, hi int64) int { return cmp.Compare(a.arrival, hi) })
		s.buf = append(s.buf, w.hot[:n]...)
		w.hot = w.hot[n:]
		slices.SortFunc(s.buf, compareArrived)
		for i := range s.buf {
			a := &s.buf[i]
			if !yield(sensors.Reading{
				Series: s.series[a.rank], Time: time.UnixMilli(a.time).UTC(), Arrival: time.UnixMilli(a.arrival).UTC(),
				Raw: a.raw, Value: a.value, Flag: a.flag,
			}) {
				return false
			}
		}
	}
	return true
}

// unpack sets buf to what arrived in [lo, hi) from chunks.
func (s *arrivalScan) unpack(ctx context.Context, chunks []packed, lo, hi int64) {
	var c chunk.Columns
	s.buf = s.buf[:0]
	for i := range chunks {
		p := &chunks[i]
		rank, known := s.ranks[p.series]
		if !known || p.last < lo || p.first >= hi {
			continue
		}
		s.r.decode(ctx, s.r.db, s.codec, &c, p.day, p.series, p.data)
		for i, a := range c.Arrival {
			if a >= lo && a < hi {
				s.buf = append(s.buf, arrived{a, c.Time[i], rank, c.Raw[i], c.Value[i], c.Flag[i]})
			}
		}
	}
}
