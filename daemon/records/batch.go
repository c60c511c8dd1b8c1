package records

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/rearing/population"
	"rearguard/sensors"
)

// Batch is what the engine stores together.
type Batch struct {
	// Clock is the engine's clock after the batch; zero leaves it as it was.
	Clock time.Time
	// Readings that are already stored (same series and time) change nothing.
	Readings []sensors.Reading
	// Journal entries are appended. Commit sets the Seq of those that have none.
	Journal []JournalEntry
	// Alarms replace what was known of the same alarm.
	Alarms []AlarmRow
	// Transitions are appended.
	Transitions []AlarmTransition
	// Incidents are those that have ended; they replace what was known of the
	// same one.
	Incidents []IncidentRow
	// Outbox notices whose Key is already known change nothing. They are
	// entered as pending, except for those whose State is Delivered, with the
	// time of it in DoneAt: they were told before they could be entered.
	Outbox []notify.Notice
	// Cohorts and Counts replace those with the same ID.
	Cohorts []population.Cohort
	Counts  []population.Count
	// Calibrations replace those of the same series and time.
	Calibrations []Calibration
	// Reflags and Revalues correct readings that are stored, those of this
	// batch included.
	Reflags  []Reflag
	Revalues []Revalue
	// State replaces the named blobs.
	State map[string][]byte
	// Adopt takes the file for the right one, whatever is doubted or damaged.
	Adopt bool
}

// KeepState has the state of a name replaced by another.
func (b *Batch) KeepState(name string, body []byte) {
	if b.State == nil {
		b.State = make(map[string][]byte)
	}
	b.State[name] = body
}

// JournalEntry is one thing that was done or happened: a command of a person,
// the broker link going down or up. Replay gives them to the engine again.
type JournalEntry struct {
	// Seq numbers entries in the order of the engine, from 1.
	Seq     int64
	Arrival time.Time
	Kind    string
	Who     string
	// Body is what Kind needs to be done again; null when empty.
	Body json.RawMessage
	// damaged is set when the entry is not what was stored.
	damaged bool
}

// Commit stores batches one after the other in one transaction, all of them or
// nothing: each finds what those before it have stored. When it returns nil
// they are kept, as far as Options.Synchronous promises. After an error the
// same batches may be committed again.
func (s *Store) Commit(ctx context.Context, batches ...*Batch) error {
	revalues := 0
	for _, b := range batches {
		for i := range b.Readings {
			if err := checkReading(&b.Readings[i]); err != nil {
				return err
			}
		}
		revalues += len(b.Revalues)
	}
	if revalues > 0 {
		// Roll reads history before it writes it; values must not change in
		// between.
		s.rolling.Lock()
		defer s.rolling.Unlock()
	}
	added := make(map[sensors.Series]int64)
	var seqs []int64
	err := s.change(ctx, func(ctx context.Context) error {
		for _, b := range batches {
			if err := s.put(ctx, b, added, &seqs); err != nil {
				return err
			}
		}
		_, err := s.write.count.ExecContext(ctx)
		return err
	})
	if err != nil {
		return err
	}
	if len(added) > 0 {
		s.series.add(added)
	}
	for _, b := range batches {
		if b.Adopt {
			s.damage.Accept()
			s.place.doubt.Store(nil)
		}
		for i := range b.Journal {
			b.Journal[i].Seq = seqs[i]
		}
		seqs = seqs[len(b.Journal):]
	}
	return nil
}

// put stores b within a transaction. It notes the numbers of new series in
// added and those of the journal's entries in seqs, since both count only once
// the transaction has succeeded.
func (s *Store) put(ctx context.Context, b *Batch, added map[sensors.Series]int64, seqs *[]int64) error {
	if err := s.putReadings(ctx, b.Readings, added); err != nil {
		return fmt.Errorf("store readings: %w", err)
	}
	for i := range b.Journal {
		seq, err := s.putJournal(ctx, &b.Journal[i])
		if err != nil {
			return fmt.Errorf("store journal entry %q: %w", b.Journal[i].Kind, err)
		}
		*seqs = append(*seqs, seq)
	}
	return s.putRest(ctx, b)
}

func (s *Store) putRest(ctx context.Context, b *Batch) error {
	if err := s.revise(ctx, b); err != nil {
		return err
	}
	for i := range b.Alarms {
		if err := s.write.putAlarm(ctx, &b.Alarms[i]); err != nil {
			return fmt.Errorf("store alarm %v: %w", b.Alarms[i].Key, err)
		}
	}
	for i := range b.Transitions {
		if err := s.write.putTransition(ctx, &b.Transitions[i]); err != nil {
			return fmt.Errorf("store transition of alarm %v: %w", b.Transitions[i].Key, err)
		}
	}
	for i := range b.Incidents {
		if err := s.write.putIncident(ctx, &b.Incidents[i]); err != nil {
			return fmt.Errorf("store incident %d: %w", b.Incidents[i].Number, err)
		}
	}
	for i := range b.Outbox {
		if err := s.write.putNotice(ctx, &b.Outbox[i]); err != nil {
			return fmt.Errorf("store notice %q: %w", b.Outbox[i].Key, err)
		}
	}
	for i := range b.Cohorts {
		if err := s.write.putCohort(ctx, &b.Cohorts[i]); err != nil {
			return fmt.Errorf("store cohort %q: %w", b.Cohorts[i].ID, err)
		}
	}
	for i := range b.Counts {
		if err := s.write.putCount(ctx, &b.Counts[i]); err != nil {
			return fmt.Errorf("store count %d: %w", b.Counts[i].ID, err)
		}
	}
	for i := range b.Calibrations {
		if err := s.write.putCalibration(ctx, &b.Calibrations[i]); err != nil {
			return fmt.Errorf("store calibration of %q: %w", b.Calibrations[i].Sensor, err)
		}
	}
	for name, body := range b.State {
		if body == nil {
			body = []byte{}
		}
		if _, err := s.write.state.ExecContext(ctx, name, body, sumOf(body)); err != nil {
			return fmt.Errorf("store state %q: %w", name, err)
		}
	}
	if !b.Clock.IsZero() {
		if _, err := s.write.clock.ExecContext(ctx, b.Clock.UnixMilli()); err != nil {
			return fmt.Errorf("store clock: %w", err)
		}
	}
	if b.Adopt {
		return s.place.adopt(ctx, s.conn)
	}
	return nil
}

func checkReading(r *sensors.Reading) error {
	switch {
	case r.Sensor == "":
		return fmt.Errorf("reading at %v names no sensor", r.Time)
	case r.Quantity == 0:
		return fmt.Errorf("reading of %q at %v names no quantity", r.Sensor, r.Time)
	case r.Flag == 0:
		return fmt.Errorf("reading of %q at %v has no quality flag", r.Sensor, r.Time)
	case r.Time.IsZero() || r.Arrival.IsZero():
		return fmt.Errorf("reading of %q has no time", r.Sensor)
	}
	return nil
}

// putReadings inserts rows, many to a statement. Series that the file does
// not know yet are numbered and reported in added; the index learns of them
// only when the transaction has succeeded.
func (s *Store) putReadings(ctx context.Context, rows []sensors.Reading, added map[sensors.Series]int64) error {
	args := s.write.args[:0]
	for _, insert := range s.write.hot {
		for len(rows) >= insert.rows {
			args = args[:0]
			for i := range rows[:insert.rows] {
				r := &rows[i]
				id, ok := s.series.id(r.Series)
				if !ok {
					id, ok = added[r.Series]
				}
				if !ok {
					var err error
					if id, err = addSeries(ctx, s.conn, r.Series); err != nil {
						return err
					}
					added[r.Series] = id
				}
				args = append(args, r.Time.UnixMilli(), id, r.Arrival.UnixMilli(), number(r.Raw), number(r.Value), int64(r.Flag))
			}
			if _, err := insert.stmt.ExecContext(ctx, args...); err != nil {
				return err
			}
			rows = rows[insert.rows:]
		}
	}
	s.write.args = args
	return nil
}

// number is v as it is stored: SQLite has no NaN, null stands for it.
func number(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

func addSeries(ctx context.Context, c *sql.Conn, series sensors.Series) (int64, error) {
	// The update changes nothing; it makes RETURNING answer for a known row.
	var id int64
	err := c.QueryRowContext(ctx, `INSERT INTO series (sensor, quantity) VALUES (?, ?)
		ON CONFLICT (sensor, quantity) DO UPDATE SET sensor = excluded.sensor RETURNING id`,
		string(series.Sensor), series.Quantity.String()).Scan(&id)
	return id, err
}

func (s *Store) putJournal(ctx context.Context, e *JournalEntry) (int64, error) {
	var seq any
	if e.Seq != 0 {
		seq = e.Seq
	}
	res, err := s.write.journal.ExecContext(ctx, seq, e.Arrival.UnixMilli(), e.Kind, e.Who, text(e.Body), e.sum())
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// text is the JSON text b, or null when there is none.
func text(b json.RawMessage) string {
	if len(b) == 0 {
		return "null"
	}
	return string(b)
}

// alarmKey spreads a key over its columns.
func alarmKey(k alerts.Key) []any {
	return []any{string(k.Condition), string(k.Room), k.Subject}
}
