package records

import (
	"context"
	"database/sql"
	"fmt"
	"sort"
	"time"

	"rearguard/daemon/records/chunk"
	"rearguard/sensors"
)

// Reflag corrects the quality flag of one stored reading. A reading that is
// not stored is left alone.
type Reflag struct {
	sensors.Series
	Time time.Time
	Flag sensors.Flag
}

// Revalue computes the values of stored readings of a series anew, from time
// From on. What a sensor sent (raw) is never changed.
type Revalue struct {
	sensors.Series
	From time.Time
	// Value gives the value of a raw one measured at a time. It must be pure:
	// after a failure it is called again.
	Value func(at time.Time, raw float64) float64
}

// revise carries out the corrections of a batch within its transaction.
func (s *Store) revise(ctx context.Context, b *Batch) error {
	if len(b.Reflags)+len(b.Revalues) == 0 {
		return nil
	}
	k, err := chunk.NewCodec()
	if err != nil {
		return err
	}
	defer k.Close()
	for i := range b.Reflags {
		if err := s.reflag(ctx, k, &b.Reflags[i]); err != nil {
			return fmt.Errorf("correct the flag of %s at %v: %w", b.Reflags[i].Sensor, b.Reflags[i].Time, err)
		}
	}
	for i := range b.Revalues {
		if err := s.revalue(ctx, k, &b.Revalues[i]); err != nil {
			return fmt.Errorf("correct the values of %s: %w", b.Revalues[i].Sensor, err)
		}
	}
	return nil
}

// numberOf is find without remembering: the series may be new in this
// transaction, which may yet fail.
func (s *Store) numberOf(ctx context.Context, series sensors.Series) (id int64, err error) {
	if id, ok := s.series.id(series); ok {
		return id, nil
	}
	err = s.conn.QueryRowContext(ctx, `SELECT coalesce(max(id), 0) FROM series WHERE sensor = ? AND quantity = ?`,
		string(series.Sensor), series.Quantity.String()).Scan(&id)
	return id, err
}

func (s *Store) reflag(ctx context.Context, k *chunk.Codec, r *Reflag) error {
	id, err := s.numberOf(ctx, r.Series)
	if err != nil || id == 0 {
		return err
	}
	ms := r.Time.UnixMilli()
	if _, err := s.conn.ExecContext(ctx, `UPDATE hot SET flag = ? WHERE time = ? AND series = ?`, int64(r.Flag), ms, id); err != nil {
		return err
	}
	// A reading may be in both places while its day is being rolled.
	return s.reviseChunk(ctx, k, dayOf(ms), id, func(c *chunk.Columns) bool {
		i := sort.Search(c.Len(), func(i int) bool { return c.Time[i] >= ms })
		if i == c.Len() || c.Time[i] != ms || c.Flag[i] == r.Flag {
			return false
		}
		c.Flag[i] = r.Flag
		return true
	})
}

func (s *Store) revalue(ctx context.Context, k *chunk.Codec, r *Revalue) error {
	id, err := s.numberOf(ctx, r.Series)
	if err != nil || id == 0 {
		return err
	}
	from := r.From.UnixMilli()
	value := func(ms int64, raw float64) float64 { return r.Value(time.UnixMilli(ms).UTC(), raw) }
	type row struct {
		at    int64
		value float64
	}
	var hot []row
	err = eachHot(ctx, s.conn, "time >= ? AND series = ?", []any{from, id}, func(t, _, _ int64, raw, old float64, _ sensors.Flag) {
		if v := value(t, raw); v != old {
			hot = append(hot, row{t, v})
		}
	})
	if err != nil {
		return err
	}
	for _, h := range hot {
		if _, err := s.conn.ExecContext(ctx, `UPDATE hot SET value = ? WHERE time = ? AND series = ?`, number(h.value), h.at, id); err != nil {
			return err
		}
	}
	days, err := chunkDays(ctx, s.conn, id, dayOf(from))
	if err != nil {
		return err
	}
	for _, day := range days {
		err := s.reviseChunk(ctx, k, day, id, func(c *chunk.Columns) (changed bool) {
			for i, at := range c.Time {
				if at < from {
					continue
				}
				if v := value(at, c.Raw[i]); v != c.Value[i] {
					c.Value[i], changed = v, true
				}
			}
			return changed
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// chunkDays are the days from a first one of which a series has a chunk.
func chunkDays(ctx context.Context, q Querier, id, first int64) ([]int64, error) {
	var days []int64
	err := eachRow(ctx, q, func(rows *sql.Rows) error {
		var day int64
		err := rows.Scan(&day)
		days = append(days, day)
		return err
	}, `SELECT day FROM chunk WHERE series = ? AND day >= ? ORDER BY day`, id, first)
	return days, err
}

// reviseChunk lets change work on the readings of one chunk and stores them
// again if it did change any.
func (s *Store) reviseChunk(ctx context.Context, k *chunk.Codec, day, id int64, change func(c *chunk.Columns) bool) error {
	c, err := s.chunk(ctx, s.conn, k, day, id)
	if err != nil || c == nil || !change(c) {
		return err
	}
	_, err = s.conn.ExecContext(ctx, `UPDATE chunk SET data = ? WHERE day = ? AND series = ?`, k.Encode(c), day, id)
	return err
}
