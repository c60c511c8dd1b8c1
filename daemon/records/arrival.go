package records

import (
	"cmp"
	"container/heap"
	"context"
	"database/sql"
	"iter"
	"math"
	"slices"
	"time"

	"rearguard/daemon/records/chunk"
	"rearguard/sensors"
)

// windowRows bounds the readings from chunks that ScanArrival sorts at a time.
const windowRows = 500_000

// ScanArrival gives all readings that arrived in [from, to) in the order of
// sensors.CompareArrival, however long after their time they came. It sees the
// history as it stood when the scan began and holds about one day of
// arrivals in memory.
func (r *Reader) ScanArrival(ctx context.Context, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		if err := r.scanArrival(ctx, from.UnixMilli(), to.UnixMilli(), func(rd sensors.Reading) bool { return yield(rd, nil) }); err != nil {
			yield(sensors.Reading{}, err)
		}
	}
}

// arrived is one reading on its way through ScanArrival. Rank is the place of
// its series in the order of names.
type arrived struct {
	arrival, time int64
	rank          int
	raw, value    float64
	flag          sensors.Flag
}

func compareArrived(a, b arrived) int {
	switch {
	case a.arrival != b.arrival:
		return cmp.Compare(a.arrival, b.arrival)
	case a.rank != b.rank:
		return a.rank - b.rank
	}
	return cmp.Compare(a.time, b.time)
}

// arrivalScan joins two streams in order of arrival: rows from chunks and
// rows from the hot table.
type arrivalScan struct {
	r        *Reader
	tx       *sql.Tx
	codec    *chunk.Codec
	from, to int64
	ranks    map[int64]int
	series   []sensors.Series
	hot      hotArrivals
	yield    func(sensors.Reading) bool
}

func (r *Reader) scanArrival(ctx context.Context, from, to int64, yield func(sensors.Reading) bool) error {
	k, err := chunk.NewCodec()
	if err != nil {
		return err
	}
	defer k.Close()
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		return describe(r.path, err)
	}
	// Nothing was written; there is nothing to lose.
	defer func() { _ = tx.Rollback() }()
	s := &arrivalScan{r: r, tx: tx, codec: k, from: from, to: to, ranks: map[int64]int{}, yield: yield}
	names, err := r.names(ctx, tx)
	if err != nil {
		return err
	}
	ids := make([]int64, 0, len(names))
	for id := range names {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b int64) int { return sensors.CompareSeries(names[a], names[b]) })
	for rank, id := range ids {
		s.ranks[id] = rank
		s.series = append(s.series, names[id])
	}
	if err := s.hot.open(ctx, s); err != nil {
		return describe(r.path, err)
	}
	defer s.hot.close()
	more, err := s.chunks(ctx)
	if err != nil || !more {
		return err
	}
	_, err = s.hotBefore(ctx, arrived{arrival: math.MaxInt64})
	return err
}

func (s *arrivalScan) emit(a arrived) bool {
	return s.yield(sensors.Reading{
		Series: s.series[a.rank], Time: time.UnixMilli(a.time).UTC(), Arrival: time.UnixMilli(a.arrival).UTC(),
		Raw: a.raw, Value: a.value, Flag: a.flag,
	})
}

// hotBefore gives the hot rows that come before next; it reports false when
// the receiver wants no more.
func (s *arrivalScan) hotBefore(ctx context.Context, next arrived) (bool, error) {
	for {
		a, ok, err := s.hot.peek(ctx)
		if err != nil {
			return false, err
		}
		if !ok || compareArrived(a, next) > 0 {
			return true, nil
		}
		heap.Pop(&s.hot.waiting)
		if !s.emit(a) {
			return false, nil
		}
	}
}

// packed is a chunk whose arrivals reach into the present window.
type packed struct {
	day, series, readings, first, last int64
	data                               []byte
}

// chunks sweeps over the chunks in the order of their first arrival. It keeps
// those that reach into the present window packed, and takes them apart
// window by window: a day, or less when much arrived on that day.
func (s *arrivalScan) chunks(ctx context.Context) (bool, error) {
	rows, err := s.tx.QueryContext(ctx, `SELECT day, series, readings, min_arrival, max_arrival, data FROM chunk
		WHERE max_arrival >= ? AND min_arrival < ? ORDER BY min_arrival`, s.from, s.to)
	if err != nil {
		return false, describe(s.r.path, err)
	}
	defer rows.Close()
	next := func() (*packed, error) {
		if !rows.Next() {
			return nil, describe(s.r.path, rows.Err())
		}
		p := &packed{}
		return p, describe(s.r.path, rows.Scan(&p.day, &p.series, &p.readings, &p.first, &p.last, &p.data))
	}
	ahead, err := next()
	var active []*packed
	var buf []arrived
	for at := s.from; err == nil && (ahead != nil || len(active) > 0); {
		if len(active) == 0 {
			at = max(at, ahead.first)
		}
		end := min((dayOf(at)+1)*dayMillis, s.to)
		for ahead != nil && ahead.first < end {
			active = append(active, ahead)
			if ahead, err = next(); err != nil {
				return false, err
			}
		}
		total := int64(0)
		for _, p := range active {
			total += p.readings
		}
		step := (end-at)/(1+total/windowRows) + 1
		for ; at < end; at += step {
			more, err := s.window(ctx, active, at, min(at+step, end), &buf)
			if err != nil || !more {
				return more, err
			}
		}
		at = end
		active = slices.DeleteFunc(active, func(p *packed) bool { return p.last < end || end >= s.to })
		if end >= s.to {
			break
		}
	}
	return err == nil, err
}

// window gives what arrived in [lo, hi) from the chunks, and the hot rows in
// between.
func (s *arrivalScan) window(ctx context.Context, active []*packed, lo, hi int64, buf *[]arrived) (bool, error) {
	var c chunk.Columns
	list := (*buf)[:0]
	for _, p := range active {
		if p.last < lo || p.first >= hi {
			continue
		}
		if err := s.codec.Decode(&c, p.data); err != nil {
			return false, s.r.damaged(p.day, p.series, err)
		}
		rank := s.ranks[p.series]
		for i, a := range c.Arrival {
			if a >= lo && a < hi {
				list = append(list, arrived{a, c.Time[i], rank, c.Raw[i], c.Value[i], c.Flag[i]})
			}
		}
	}
	*buf = list
	slices.SortFunc(list, compareArrived)
	for _, a := range list {
		if more, err := s.hotBefore(ctx, a); err != nil || !more {
			return more, err
		}
		if !s.emit(a) {
			return false, nil
		}
	}
	return true, nil
}

// hotArrivals gives hot rows in order of arrival. It reads them in order of
// time and lets each wait until no row with an earlier arrival can follow.
// That is known from lead, the longest that any reading's time lies ahead of
// its arrival. So what waits is only what came late.
type hotArrivals struct {
	s       *arrivalScan
	rows    *sql.Rows
	lead    int64
	reached int64
	waiting arrivalHeap
	// day and rolled tell which rows are already in a chunk: a reading that
	// was sent again after its day was rolled, or is just being rolled.
	day       int64
	hasChunks bool
	rolled    map[int64]*chunk.Columns
}

func (h *hotArrivals) open(ctx context.Context, s *arrivalScan) error {
	h.s, h.day = s, math.MinInt64
	var lead sql.NullInt64
	if err := s.tx.QueryRowContext(ctx, `SELECT max(time - arrival) FROM hot WHERE arrival >= ? AND arrival < ?`, s.from, s.to).Scan(&lead); err != nil {
		return err
	}
	h.lead = lead.Int64
	var err error
	h.rows, err = s.tx.QueryContext(ctx, //nolint:gocritic,rowserrcheck // next reads the rows, and their error
		`SELECT time, series, arrival, raw, value, flag FROM hot
		WHERE arrival >= ? AND arrival < ? ORDER BY time, series`, s.from, s.to)
	return err
}

func (h *hotArrivals) close() {
	if h.rows != nil {
		h.rows.Close()
	}
}

// peek gives the next row without taking it.
func (h *hotArrivals) peek(ctx context.Context) (arrived, bool, error) {
	for h.rows != nil && (len(h.waiting) == 0 || h.waiting[0].arrival+h.lead >= h.reached) {
		if !h.rows.Next() {
			err := h.rows.Err()
			h.close()
			h.rows = nil
			if err != nil {
				return arrived{}, false, describe(h.s.r.path, err)
			}
			break
		}
		var a arrived
		var id int64
		var raw, value sql.NullFloat64
		if err := h.rows.Scan(&a.time, &id, &a.arrival, &raw, &value, &a.flag); err != nil {
			return arrived{}, false, describe(h.s.r.path, err)
		}
		h.reached = a.time
		known, err := h.inChunk(ctx, id, a.time)
		if err != nil {
			return arrived{}, false, err
		}
		if !known {
			a.rank, a.raw, a.value = h.s.ranks[id], fromNumber(raw), fromNumber(value)
			heap.Push(&h.waiting, a)
		}
	}
	if len(h.waiting) == 0 {
		return arrived{}, false, nil
	}
	return h.waiting[0], true, nil
}

func (h *hotArrivals) inChunk(ctx context.Context, series, ms int64) (bool, error) {
	if day := dayOf(ms); day != h.day {
		h.day, h.rolled = day, map[int64]*chunk.Columns{}
		err := h.s.tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM chunk WHERE day = ?)`, day).Scan(&h.hasChunks)
		if err != nil {
			return false, describe(h.s.r.path, err)
		}
	}
	if !h.hasChunks {
		return false, nil
	}
	c, ok := h.rolled[series]
	if !ok {
		var err error
		if c, err = h.s.r.chunk(ctx, h.s.tx, h.s.codec, h.day, series); err != nil {
			return false, err
		}
		h.rolled[series] = c
	}
	return c != nil && c.Holds(ms), nil
}

// arrivalHeap has the row that arrived first on top.
type arrivalHeap []arrived

func (h arrivalHeap) Len() int           { return len(h) }
func (h arrivalHeap) Less(i, j int) bool { return compareArrived(h[i], h[j]) < 0 }
func (h arrivalHeap) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }

// Push implements heap.Interface.
func (h *arrivalHeap) Push(x any) { *h = append(*h, x.(arrived)) } //nolint:errcheck // only arrivals are pushed

// Pop implements heap.Interface.
func (h *arrivalHeap) Pop() any {
	last := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return last
}
