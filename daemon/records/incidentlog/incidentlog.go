// Package incidentlog reads in the records the incidents that have ended, each
// as it was at its end.
package incidentlog

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"rearguard/daemon/records"
)

const columns = `SELECT number, priority, state FROM incident`

// Between gives the incidents that ended in [from, to), the newest first, at
// most so many. One that cannot be read is an error with its number.
func Between(ctx context.Context, reader *records.Reader, from, to time.Time, most int) ([]records.IncidentRow, error) {
	return read(ctx, reader, columns+` WHERE ended_at >= ? AND ended_at < ? ORDER BY ended_at DESC, number DESC LIMIT ?`,
		from.UnixMilli(), to.UnixMilli(), most)
}

// Of gives the ended incident of a number, nil if there is none.
func Of(ctx context.Context, reader *records.Reader, number int64) (*records.IncidentRow, error) {
	list, err := read(ctx, reader, columns+` WHERE number = ?`, number)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	return &list[0], nil
}

func read(ctx context.Context, reader *records.Reader, query string, args ...any) (list []records.IncidentRow, err error) {
	err = reader.Read(ctx, func(q records.Querier) error {
		rows, err := q.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var one records.IncidentRow
			var number int64
			var state []byte
			if err := rows.Scan(&number, &one.Priority, &state); err != nil {
				return err
			}
			if err := json.Unmarshal(state, &one.Incident); err != nil {
				return fmt.Errorf("incident %d cannot be read: %w", number, err)
			}
			list = append(list, one)
		}
		return rows.Err()
	})
	return list, err
}
