package upkeep

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"rearguard/daemon/records"
)

// Bounds that keep each transaction of Retain to a few milliseconds, since the
// engine's commits wait for it.
const (
	retainRows   = 1500
	retainChunks = 128
)

const dayMillis = 24 * 60 * 60 * 1000

// ErrNotEnoughKept means that deleting old history would leave too little.
var ErrNotEnoughKept = errors.New("old history is not deleted")

// Retention says how long history is kept.
type Retention struct {
	// Now is the present time, HistoryDays the number of days before its day
	// whose readings are kept; 0 keeps them for ever.
	Now         time.Time
	HistoryDays int
}

// Retain deletes readings that are older than the policy says, and gives the
// number of chunks and hot readings that went. New history takes the freed
// room, and Shrink gives back what is left of it.
func Retain(ctx context.Context, s *records.Store, policy Retention) (chunks, readings int, err error) {
	if policy.HistoryDays <= 0 {
		return 0, 0, nil
	}
	start := policy.Now.UTC().Truncate(24*time.Hour).AddDate(0, 0, -policy.HistoryDays)
	day := start.UnixMilli() / dayMillis
	if err := enoughKept(ctx, s, day, policy); err != nil {
		return 0, 0, err
	}
	// A hot reading that was sent again after its day was rolled must not come
	// out from behind the one in the chunk.
	readings, err = deleteAll(ctx, s, `DELETE FROM hot WHERE (time, series) IN
		(SELECT time, series FROM hot WHERE time < ? ORDER BY time LIMIT ?)`, start.UnixMilli(), retainRows)
	if err == nil {
		_, err = deleteAll(ctx, s, `DELETE FROM quarantine WHERE id IN (SELECT id FROM quarantine WHERE day < ? LIMIT ?)`, day, retainChunks)
	}
	if err == nil {
		chunks, err = deleteAll(ctx, s, `DELETE FROM chunk WHERE id IN (SELECT id FROM chunk WHERE day < ? LIMIT ?)`, day, retainChunks)
	}
	if err != nil {
		err = fmt.Errorf("delete old history: %w", err)
	}
	return chunks, readings, err
}

// enoughKept refuses to delete what is before a day while less than a quarter of
// the days that are to be kept would be left: the clock may be wrong, or the
// facility was closed for a season and has only just been opened again.
func enoughKept(ctx context.Context, s *records.Store, day int64, policy Retention) error {
	var kept, old int64
	err := s.Read(ctx, func(q records.Querier) error {
		return q.QueryRowContext(ctx, `SELECT count(*), coalesce(sum(day < ?1), 0) FROM
			(SELECT day FROM chunk GROUP BY day UNION SELECT time / ?2 FROM hot GROUP BY time / ?2)`, day, int64(dayMillis)).Scan(&kept, &old)
	})
	if err != nil {
		return err
	}
	kept -= old
	if old > 0 && 4*kept < min(int64(policy.HistoryDays), old+kept) {
		return fmt.Errorf("%w: of %d days that are kept only %d would be left as of %s (if the date is right, nothing is to be done: old days are deleted once a quarter of the days that are kept have readings again)",
			ErrNotEnoughKept, policy.HistoryDays, kept, policy.Now.UTC().Format(time.DateOnly))
	}
	return nil
}

// deleteAll repeats query, which deletes a limited number of rows, until none
// is left.
func deleteAll(ctx context.Context, s *records.Store, query string, bound, limit int64) (int, error) {
	total := 0
	for {
		var n int64
		err := s.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
			res, err := c.ExecContext(ctx, query, bound, limit)
			if err == nil {
				n, err = res.RowsAffected()
			}
			return err
		})
		total += int(n)
		if err != nil || n < limit {
			return total, err
		}
	}
}
