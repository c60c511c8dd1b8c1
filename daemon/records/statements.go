package records

import (
	"context"
	"database/sql"
	"errors"
	"strings"
)

// statements are prepared once on the writing connection.
type statements struct {
	// hot are inserts of readings, most rows to a statement first, down to 1.
	hot []multiInsert
	// args is reused from one batch to the next.
	args []any

	journal, state, clock, count, cohort, tally, calibration *sql.Stmt
	alarm, closeAlarm, occurrence, transition, notice        *sql.Stmt
	incident                                                 *sql.Stmt
	all                                                      []*sql.Stmt
}

// multiInsert inserts a fixed number of rows.
type multiInsert struct {
	rows int
	stmt *sql.Stmt
}

func prepare(ctx context.Context, c *sql.Conn) (_ *statements, err error) {
	s := &statements{}
	defer func() {
		if err != nil {
			_ = s.close() // err says why
		}
	}()
	stmt := func(query string) *sql.Stmt {
		if err != nil {
			return nil
		}
		var st *sql.Stmt
		if st, err = c.PrepareContext(ctx, query); err == nil {
			s.all = append(s.all, st)
		}
		return st
	}
	for _, n := range []int{256, 64, 16, 4, 1} {
		s.hot = append(s.hot, multiInsert{n, stmt(`INSERT INTO hot (time, series, arrival, raw, value, flag) VALUES ` +
			strings.TrimSuffix(strings.Repeat("(?,?,?,?,?,?),", n), ",") + ` ON CONFLICT DO NOTHING`)})
	}
	s.journal = stmt(`INSERT INTO journal (seq, arrival, kind, who, body, sum) VALUES (?, ?, ?, ?, ?, ?)`)
	s.state = stmt(`INSERT INTO state (name, body, sum) VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET body = excluded.body, sum = excluded.sum`)
	s.clock = stmt(`INSERT INTO clock (one, time) VALUES (1, ?) ON CONFLICT DO UPDATE SET time = excluded.time`)
	s.count = stmt(`UPDATE identity SET commits = commits + 1`)
	s.cohort = stmt(`INSERT INTO cohort (id, body) VALUES (?, ?) ON CONFLICT DO UPDATE SET body = excluded.body`)
	s.tally = stmt(`INSERT INTO tally (id, cohort, time, body) VALUES (?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET cohort = excluded.cohort, time = excluded.time, body = excluded.body`)
	s.calibration = stmt(`INSERT INTO calibration (sensor, quantity, from_time, offset, gain, details) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET offset = excluded.offset, gain = excluded.gain, details = excluded.details`)
	const cycle = `priority = excluded.priority, active = excluded.active, raised_at = excluded.raised_at,
		cleared_at = excluded.cleared_at, acknowledged_at = excluded.acknowledged_at,
		acknowledged_by = excluded.acknowledged_by, state = excluded.state`
	s.alarm = stmt(`INSERT INTO alarm (condition, room, subject, occurrence, priority, active, raised_at, cleared_at, acknowledged_at, acknowledged_by, state)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET occurrence = excluded.occurrence, ` + cycle)
	s.closeAlarm = stmt(`DELETE FROM alarm WHERE condition = ? AND room = ? AND subject = ?`)
	s.occurrence = stmt(`INSERT INTO occurrence (condition, room, subject, id, closed, priority, active, raised_at, cleared_at, acknowledged_at, acknowledged_by, state)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET closed = excluded.closed, ` + cycle)
	s.transition = stmt(`INSERT INTO alarm_transition (condition, room, subject, occurrence, time, from_state, to_state, who, reason, event, annunciate, cleared, priority)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`)
	s.incident = stmt(`INSERT INTO incident (number, began_at, ended_at, room, priority, state) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET ended_at = excluded.ended_at, priority = excluded.priority, state = excluded.state`)
	s.notice = stmt(`INSERT INTO outbox (key, occurrence, priority, channel, recipient, payload, created_at, due_at, state, attempts, done_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (key) DO NOTHING`)
	return s, err
}

func (s *statements) close() error {
	var errs []error
	for _, stmt := range s.all {
		errs = append(errs, stmt.Close())
	}
	return errors.Join(errs...)
}
