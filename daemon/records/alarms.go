package records

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/incidents"
)

// AlarmRow is the life cycle of one alarm as it stands.
type AlarmRow struct {
	Key alerts.Key
	// Occurrence numbers the times that any alarm was raised, from 1; 0 while
	// this one waits for its on-delay or is shelved without being raised.
	Occurrence int64
	Priority   alerts.Priority
	// State is the life cycle in the words of the engine; null when empty.
	State json.RawMessage
	// Active is set while the condition is true.
	Active bool
	// Closed is set when the alarm is back in its normal state and nothing is
	// left to remember, no running delay either: then only AlarmHistory gives it.
	Closed                              bool
	RaisedAt, ClearedAt, AcknowledgedAt time.Time
	AcknowledgedBy                      string
}

// AlarmTransition is one step in the life cycle of an alarm.
type AlarmTransition struct {
	Key        alerts.Key
	Occurrence int64
	Time       time.Time
	From, To   alerts.State
	// Who is the person who caused it, empty when the condition did.
	Who, Reason string
	// Event is what made the alarm change, Annunciate says that it called for
	// a person, Cleared that people were told it is over; Priority is what the
	// alarm had then. Steps from before these were kept have none of them.
	Event               alerts.Event
	Annunciate, Cleared bool
	Priority            alerts.Priority
}

func (s *statements) putAlarm(ctx context.Context, a *AlarmRow) error {
	cycle := []any{int64(a.Priority), a.Active, Millis(a.RaisedAt), Millis(a.ClearedAt), Millis(a.AcknowledgedAt), a.AcknowledgedBy, text(a.State)}
	if a.Occurrence != 0 {
		args := append(alarmKey(a.Key), a.Occurrence, a.Closed)
		if _, err := s.occurrence.ExecContext(ctx, append(args, cycle...)...); err != nil {
			return err
		}
	}
	if a.Closed {
		_, err := s.closeAlarm.ExecContext(ctx, alarmKey(a.Key)...)
		return err
	}
	args := append(alarmKey(a.Key), a.Occurrence)
	_, err := s.alarm.ExecContext(ctx, append(args, cycle...)...)
	return err
}

func (s *statements) putTransition(ctx context.Context, t *AlarmTransition) error {
	_, err := s.transition.ExecContext(ctx, append(alarmKey(t.Key),
		t.Occurrence, t.Time.UnixMilli(), t.From.String(), t.To.String(), t.Who, t.Reason, string(t.Event), t.Annunciate, t.Cleared, int64(t.Priority))...)
	return err
}

// IncidentRow is an incident that has ended, with the highest priority it had.
type IncidentRow struct {
	incidents.Incident
	Priority alerts.Priority
}

func (s *statements) putIncident(ctx context.Context, i *IncidentRow) error {
	body, err := json.Marshal(i.Incident)
	if err != nil {
		return err
	}
	_, err = s.incident.ExecContext(ctx, i.Number, i.BeganAt.UnixMilli(), i.EndedAt.UnixMilli(), string(i.Room), int64(i.Priority), text(body))
	return err
}

// LoadAlarms gives every alarm that is not closed, with its State.
func (r *Reader) LoadAlarms(ctx context.Context) ([]AlarmRow, error) {
	return collect(ctx, r, scanAlarm, `SELECT condition, room, subject, occurrence, 0, priority, active,
		raised_at, cleared_at, acknowledged_at, acknowledged_by, state FROM alarm ORDER BY condition, room, subject`)
}

// AlarmHistory gives the occurrences raised in [from, to), oldest first, each
// as it last stood.
func (r *Reader) AlarmHistory(ctx context.Context, from, to time.Time) ([]AlarmRow, error) {
	return collect(ctx, r, scanAlarm, `SELECT condition, room, subject, id, closed, priority, active,
		raised_at, cleared_at, acknowledged_at, acknowledged_by, state FROM occurrence
		WHERE raised_at >= ? AND raised_at < ? ORDER BY raised_at, id`, from.UnixMilli(), to.UnixMilli())
}

// AlarmTransitions gives the transitions in [from, to), in the order in which
// they happened.
func (r *Reader) AlarmTransitions(ctx context.Context, from, to time.Time) ([]AlarmTransition, error) {
	return collect(ctx, r, scanTransition, `SELECT condition, room, subject, occurrence, time, from_state, to_state, who, reason, event, annunciate, cleared, priority
		FROM alarm_transition WHERE time >= ? AND time < ? ORDER BY id`, from.UnixMilli(), to.UnixMilli())
}

func scanAlarm(rows *sql.Rows) (a AlarmRow, err error) {
	var raised, cleared, acknowledged sql.NullInt64
	var state string
	err = rows.Scan(&a.Key.Condition, &a.Key.Room, &a.Key.Subject, &a.Occurrence, &a.Closed, &a.Priority, &a.Active,
		&raised, &cleared, &acknowledged, &a.AcknowledgedBy, &state)
	a.RaisedAt, a.ClearedAt, a.AcknowledgedAt = FromMillis(raised), FromMillis(cleared), FromMillis(acknowledged)
	a.State = json.RawMessage(state)
	return a, err
}

func scanTransition(rows *sql.Rows) (t AlarmTransition, err error) {
	var at int64
	var from, to string
	err = rows.Scan(&t.Key.Condition, &t.Key.Room, &t.Key.Subject, &t.Occurrence, &at, &from, &to, &t.Who, &t.Reason,
		&t.Event, &t.Annunciate, &t.Cleared, &t.Priority)
	t.Time = time.UnixMilli(at).UTC()
	return t, errors.Join(err, t.From.UnmarshalText([]byte(from)), t.To.UnmarshalText([]byte(to)))
}

// Condensed is up to when details are kept in short only: what machines wrote
// into the journal, steps of alarms, and notices. Zero times are those of which
// everything is there.
type Condensed struct{ Journal, Steps, Notices time.Time }

// Condensed gives up to when details are kept in short only.
func (r *Reader) Condensed(ctx context.Context) (c Condensed, err error) {
	err = eachRow(ctx, r.db, func(rows *sql.Rows) error {
		var what string
		var before sql.NullInt64
		err := rows.Scan(&what, &before)
		if at, known := map[string]*time.Time{"journal": &c.Journal, "steps": &c.Steps, "notices": &c.Notices}[what]; known {
			*at = FromMillis(before)
		}
		return err
	}, `SELECT what, before FROM condensed`)
	return c, describe(r.path, err)
}

// collect runs query and gives its rows.
func collect[T any](ctx context.Context, r *Reader, scan func(*sql.Rows) (T, error), query string, args ...any) ([]T, error) {
	var list []T
	err := eachRow(ctx, r.db, func(rows *sql.Rows) error {
		v, err := scan(rows)
		list = append(list, v)
		return err
	}, query, args...)
	if err != nil {
		return nil, describe(r.path, err)
	}
	return list, nil
}

// eachRow runs query and calls each for its rows, until one fails.
func eachRow(ctx context.Context, q Querier, each func(*sql.Rows) error, query string, args ...any) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := each(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
