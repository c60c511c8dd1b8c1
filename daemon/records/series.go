package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"

	"rearguard/sensors"
)

// seriesIndex remembers the numbers of series. Rows of the table never
// change, so what it knows stays true.
type seriesIndex struct {
	mu   sync.RWMutex
	ids  map[sensors.Series]int64
	byID map[int64]sensors.Series
}

func (x *seriesIndex) id(s sensors.Series) (int64, bool) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	id, ok := x.ids[s]
	return id, ok
}

func (x *seriesIndex) add(ids map[sensors.Series]int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.ids == nil {
		x.ids = make(map[sensors.Series]int64)
		x.byID = make(map[int64]sensors.Series)
	}
	for s, id := range ids {
		x.ids[s] = id
		x.byID[id] = s
	}
}

// find returns the number of series, 0 when it has no readings.
func (r *Reader) find(ctx context.Context, q Querier, series sensors.Series) (int64, error) {
	if id, ok := r.series.id(series); ok {
		return id, nil
	}
	var id int64
	err := q.QueryRowContext(ctx, "SELECT id FROM series WHERE sensor = ? AND quantity = ?",
		string(series.Sensor), series.Quantity.String()).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	if err != nil {
		return 0, describe(r.path, err)
	}
	r.series.add(map[sensors.Series]int64{series: id})
	return id, nil
}

// names returns every series by its number.
func (r *Reader) names(ctx context.Context, q Querier) (map[int64]sensors.Series, error) {
	rows, err := q.QueryContext(ctx, "SELECT id, sensor, quantity FROM series")
	if err != nil {
		return nil, describe(r.path, err)
	}
	defer rows.Close()
	all := make(map[int64]sensors.Series)
	for rows.Next() {
		var id int64
		var sensor, quantity string
		if err := rows.Scan(&id, &sensor, &quantity); err != nil {
			return nil, describe(r.path, err)
		}
		q, err := sensors.ParseQuantity(quantity)
		if err != nil {
			return nil, fmt.Errorf("%w: %s (%s): series %d: %w", ErrCorrupt, r.path, advice(ErrCorrupt), id, err)
		}
		all[id] = sensors.Series{Sensor: sensors.SensorID(sensor), Quantity: q}
	}
	return all, describe(r.path, rows.Err())
}

// Series lists every series that has readings or ever had, in no order.
func (r *Reader) Series(ctx context.Context) ([]sensors.Series, error) {
	all, err := r.names(ctx, r.db)
	if err != nil {
		return nil, err
	}
	list := make([]sensors.Series, 0, len(all))
	for _, s := range all {
		list = append(list, s)
	}
	return list, nil
}
