package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"rearguard/daemon/records/chunk"
	"rearguard/daemon/records/damage"
)

// Damage says what was found that cannot be read and that nobody has taken
// note of, empty for nothing. What reads history leaves it out and goes on.
func (r *Reader) Damage() string { return r.damage.Text() }

// NoteDamage takes in something else that was found damaged, in words.
func (r *Reader) NoteDamage(what string) { r.damage.NoteOther(what) }

// hole notes that a day of a series cannot be read, that of all series if its
// number is 0.
func (r *Reader) hole(ctx context.Context, q Querier, day, series int64) {
	r.damage.Note(damage.Hole{Day: day, Series: series}, r.nameOf(ctx, q, series), false)
}

// nameOf is the sensor of a series in words.
func (r *Reader) nameOf(ctx context.Context, q Querier, series int64) string {
	if series == 0 {
		return ""
	}
	var sensor string
	if err := q.QueryRowContext(ctx, `SELECT sensor FROM series WHERE id = ?`, series).Scan(&sensor); err != nil {
		return fmt.Sprintf("(series %d)", series)
	}
	return sensor
}

// decode takes a chunk apart; one that is damaged holds nothing and is noted.
func (r *Reader) decode(ctx context.Context, q Querier, k *chunk.Codec, c *chunk.Columns, day, series int64, data []byte) {
	if !sound(k, c, day, data) {
		c.Reset()
		r.hole(ctx, q, day, series)
	}
}

// sound takes a chunk apart and reports whether it is whole and that of the
// day.
func sound(k *chunk.Codec, c *chunk.Columns, day int64, data []byte) bool {
	return k.Decode(c, data) == nil && c.Len() > 0 && dayOf(c.Time[0]) == day && dayOf(c.Time[c.Len()-1]) == day
}

// damaged reports whether a failure of a read lies in the file and not in the
// moment: what was to be read is then left out.
func damaged(path string, err error) bool { return errors.Is(describe(path, err), ErrCorrupt) }

// eachPacked gives the chunks that fulfil a condition. Where a page of the file
// is damaged it goes chunk by chunk, and leaves out those that cannot be read.
func (r *Reader) eachPacked(ctx context.Context, q Querier, f func(p packed), where string, args ...any) error {
	const columns = `SELECT day, series, readings, min_arrival, max_arrival, data FROM chunk WHERE `
	var list []packed
	scan := func(rows *sql.Rows) error {
		var p packed
		err := rows.Scan(&p.day, &p.series, &p.readings, &p.first, &p.last, &p.data)
		list = append(list, p)
		return err
	}
	err := eachRow(ctx, q, scan, columns+where, args...)
	if damaged(r.path, err) {
		list = nil
		var ids [][3]int64
		err = eachRow(ctx, q, func(rows *sql.Rows) error {
			var id [3]int64
			err := rows.Scan(&id[0], &id[1], &id[2])
			ids = append(ids, id)
			return err
		}, `SELECT id, day, series FROM chunk WHERE `+where, args...)
		for _, id := range ids {
			if eachRow(ctx, q, scan, columns+`id = ?`, id[0]) != nil {
				r.hole(ctx, q, id[1], id[2])
			}
		}
	}
	for i := range list {
		f(list[i])
	}
	return err
}

// loadQuarantine notes what was put out of the way and nobody has taken note
// of.
func (r *Reader) loadQuarantine(ctx context.Context) error {
	return describe(r.path, eachRow(ctx, r.db, func(rows *sql.Rows) error {
		var at damage.Hole
		var sensor string
		if err := rows.Scan(&at.Day, &at.Series, &sensor); err != nil {
			return err
		}
		r.damage.Note(at, sensor, true)
		return nil
	}, `SELECT day, series, coalesce(sensor, '(series ' || series || ')') FROM quarantine
		LEFT JOIN series ON series.id = quarantine.series WHERE accepted = 0`))
}

// quarantine puts chunks that were found damaged out of the way, each in a
// transaction of its own.
func quarantine(ctx context.Context, s *Store) error {
	for _, at := range s.damage.InTheWay() {
		if at.Series == 0 {
			continue // a page: nothing can be moved
		}
		err := s.change(ctx, func(ctx context.Context) error { return moveAside(ctx, s.conn, at.Day, at.Series) })
		if err != nil && !damaged(s.path, err) {
			return err
		}
		if err == nil {
			s.damage.Note(at, s.nameOf(ctx, s.db, at.Series), true)
		}
	}
	return nil
}

// moveAside moves a chunk into the quarantine, within a transaction, if it is
// damaged indeed.
func moveAside(ctx context.Context, c *sql.Conn, day, series int64) error {
	var data []byte
	err := c.QueryRowContext(ctx, `SELECT data FROM chunk WHERE day = ? AND series = ?`, day, series).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	k, err := chunk.NewCodec()
	if err != nil {
		return err
	}
	defer k.Close()
	if sound(k, &chunk.Columns{}, day, data) {
		return nil
	}
	_, err = c.ExecContext(ctx, `INSERT INTO quarantine (day, series, readings, min_arrival, max_arrival, data)
		SELECT day, series, readings, min_arrival, max_arrival, data FROM chunk WHERE day = ?1 AND series = ?2`, day, series)
	if err == nil {
		_, err = c.ExecContext(ctx, `DELETE FROM chunk WHERE day = ? AND series = ?`, day, series)
	}
	return err
}

// hotHole passes on the failure of a read of hot rows with lo <= time < hi.
// Where a page of them is damaged it notes their days instead: the read goes
// by what came before it.
func (r *Reader) hotHole(ctx context.Context, q Querier, lo, hi int64, err error) error {
	if !damaged(r.path, err) {
		return err
	}
	for day := dayOf(lo); day <= dayOf(hi-1); day++ {
		r.hole(ctx, q, day, 0)
	}
	return nil
}
