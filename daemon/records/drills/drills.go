// Package drills keeps the trials of the way to people, in the file of the
// records: who was sent a test notice by which channel, when the channel took
// it, and when the person said that it arrived.
package drills

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/letter"
	"rearguard/daemon/records"
)

const (
	// AnswerWithin is how long a person has to say that a notice arrived.
	AnswerWithin = 24 * time.Hour
	// restBetween is how long after a drill, and after a test of the same
	// channel of a person, nobody is sent another.
	restBetween = 5 * time.Minute
	// testsKept is how many tests are remembered; drills are for ever.
	testsKept = 500
)

// Drill is one trial.
type Drill struct {
	ID int64
	// Whole is set for a drill of everybody, not for a test of somebody.
	Whole bool
	// Period is that of the schedule that started it, else empty and Who is the
	// name of the person who did.
	Period, Who string
	Began       time.Time
	Notices     []Notice
}

// Notice is one message to one person by one channel.
type Notice struct {
	ID              int64
	Person, Channel string
	// TakenAt is when the channel took it, zero while it has not; Failure is why
	// the last attempt did not succeed, and GivenUp is set once there is no other.
	TakenAt time.Time
	Failure string
	GivenUp bool
	// ArrivedAt is when ArrivedBy said that it arrived, zero while nobody did.
	ArrivedAt time.Time
	ArrivedBy string
}

// Target is one way to one person, who reads so.
type Target struct {
	Person, Channel string
	Audience        letter.Audience
}

// Start says what to try, and in whose name.
type Start struct {
	Whole       bool
	Period, Who string
	Targets     []Target
	// Facility is its name, Invented set for one that is made up.
	Facility string
	Invented bool
	// Link leads to the page on which people say that a notice arrived, empty for
	// none.
	Link string
}

// Why a drill is not started, or nothing noted of it. They are shown to people.
var (
	// ErrDone says that the period has had its drill.
	ErrDone = errors.New("there was a drill in this period already")
	// ErrSoon says that one has hardly begun.
	ErrSoon = errors.New("one was started a moment ago: give people a few minutes to answer it")
	// ErrNobody says that there is nobody to be told.
	ErrNobody = errors.New("nobody is on the roster who could be sent a test: fill people, channels and roster in facility.yaml")
	// ErrUnknown says that there is no such notice.
	ErrUnknown = errors.New("this test is not in the records any more")
)

// Book is the trials there were. It is safe for use by several goroutines.
type Book struct{ store *records.Store }

// New returns the trials of the records.
func New(store *records.Store) *Book { return &Book{store} }

// Begin enters a trial with its notices, which the outbox then holds: both or
// neither.
func (b *Book) Begin(ctx context.Context, s Start, now time.Time) error {
	if len(s.Targets) == 0 {
		return ErrNobody
	}
	err := b.store.Enter(ctx, func(ctx context.Context, c *sql.Conn) ([]notify.Notice, error) {
		if err := s.mayBegin(ctx, c, now); err != nil {
			return nil, err
		}
		res, err := c.ExecContext(ctx, `INSERT INTO drill (whole, period, who, began) VALUES (?, nullif(?, ''), ?, ?)`, s.Whole, s.Period, s.Who, now.UnixMilli())
		if err != nil {
			return nil, err
		}
		drill, err := res.LastInsertId()
		if err != nil {
			return nil, err
		}
		list := make([]notify.Notice, len(s.Targets))
		for i, to := range s.Targets {
			res, err := c.ExecContext(ctx, `INSERT INTO drill_notice (drill, person, channel) VALUES (?, ?, ?)`, drill, to.Person, to.Channel)
			if err != nil {
				return nil, err
			}
			id, err := res.LastInsertId()
			if err != nil {
				return nil, err
			}
			if list[i], err = s.notice(id, to, now); err != nil {
				return nil, err
			}
		}
		return list, forget(ctx, c)
	})
	if err != nil {
		return fmt.Errorf("start a test: %w", err)
	}
	return nil
}

// mayBegin refuses what was done already.
func (s *Start) mayBegin(ctx context.Context, c *sql.Conn, now time.Time) error {
	var same, lately bool
	err := c.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM drill WHERE period = ?)`, s.Period).Scan(&same)
	if err != nil {
		return err
	}
	if same {
		return ErrDone
	}
	// A time after now is that of a clock that was ahead.
	from, to := now.Add(-restBetween).UnixMilli(), now.UnixMilli()
	if s.Whole {
		err = c.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM drill WHERE whole AND began > ? AND began <= ?)`, from, to).Scan(&lately)
	}
	for _, t := range s.Targets {
		if err != nil || lately || s.Whole {
			break
		}
		err = c.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM drill JOIN drill_notice ON drill = drill.id
			WHERE began > ? AND began <= ? AND person = ? AND channel = ?)`, from, to, t.Person, t.Channel).Scan(&lately)
	}
	if err == nil && lately && s.Period == "" {
		return ErrSoon
	}
	return err
}

// notice is the row of the outbox of a message.
func (s *Start) notice(id int64, to Target, now time.Time) (notify.Notice, error) {
	payload, err := json.Marshal(notify.AlarmNotice{
		Facility: s.Facility, Invented: s.Invented, Audience: to.Audience, Kind: notify.Test, Title: "test",
		Occurrence: -id, Sequence: 1, Priority: alerts.Low, RaisedAt: now, Time: now,
		Circumstances: notify.Circumstances{AskedBy: s.Who}, Links: notify.Links{Link: s.Link},
	})
	return notify.Notice{
		Key: fmt.Sprintf("test/%d-%d/%s/%s", id, now.UnixMilli(), to.Person, to.Channel), Occurrence: -id, Priority: alerts.Low,
		Channel: to.Channel, Recipient: to.Person, Payload: payload, CreatedAt: now, DueAt: now, State: notify.Pending,
	}, err
}

// forget drops the oldest tests.
func forget(ctx context.Context, c *sql.Conn) error {
	const old = `(SELECT id FROM drill WHERE NOT whole ORDER BY id DESC LIMIT -1 OFFSET ?)`
	if _, err := c.ExecContext(ctx, `DELETE FROM drill_notice WHERE drill IN `+old, testsKept); err != nil {
		return err
	}
	_, err := c.ExecContext(ctx, `DELETE FROM drill WHERE id IN `+old, testsKept)
	return err
}

// Arrived notes that the notice of a number, of a trial that began at a time,
// arrived. What was noted first stays. A zero time is that of any.
func (b *Book) Arrived(ctx context.Context, number int64, began time.Time, who string, now time.Time) error {
	return b.store.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
		// Before it began it cannot have arrived: the clock was ahead then.
		res, err := c.ExecContext(ctx, `UPDATE drill_notice SET
			arrived_at = coalesce(arrived_at, max(?1, (SELECT began FROM drill WHERE id = drill))),
			arrived_by = CASE WHEN arrived_at IS NULL THEN ?2 ELSE arrived_by END
			WHERE id = ?3 AND (?4 OR drill IN (SELECT id FROM drill WHERE began = ?5))`,
			now.UnixMilli(), who, number, began.IsZero(), began.UnixMilli())
		if err != nil {
			return fmt.Errorf("note that a test arrived: %w", err)
		}
		n, err := res.RowsAffected()
		if err == nil && n == 0 {
			err = ErrUnknown
		}
		return err
	})
}

// Newest are the newest trials, at most so many, the newest first.
func Newest(ctx context.Context, reader *records.Reader, most int) ([]Drill, error) {
	return read(ctx, reader, `SELECT id FROM drill ORDER BY id DESC LIMIT ?`, most)
}

// Last are the last drill of everybody, and the one before; fewer if there were
// no two.
func Last(ctx context.Context, reader *records.Reader) ([]Drill, error) {
	return read(ctx, reader, `SELECT id FROM drill WHERE whole ORDER BY id DESC LIMIT ?`, 2)
}

// Of is the notice of a number with the trial that it belongs to, which began at
// a time. It fails with ErrUnknown where there is none.
func Of(ctx context.Context, reader *records.Reader, number int64, began time.Time) (Drill, Notice, error) {
	list, err := read(ctx, reader, `SELECT drill FROM drill_notice WHERE id = ?`, number)
	if err != nil {
		return Drill{}, Notice{}, err
	}
	for _, d := range list {
		i := slices.IndexFunc(d.Notices, func(n Notice) bool { return n.ID == number })
		if i >= 0 && d.Began.UnixMilli() == began.UnixMilli() {
			return d, d.Notices[i], nil
		}
	}
	return Drill{}, Notice{}, ErrUnknown
}

// read gives the trials whose ids a query selects, the newest first.
func read(ctx context.Context, reader *records.Reader, ids string, arg any) ([]Drill, error) {
	var list []Drill
	err := reader.Read(ctx, func(q records.Querier) error {
		list = nil
		rows, err := q.QueryContext(ctx, `SELECT drill.id, whole, coalesce(period, ''), who, began, drill_notice.id, person, channel, taken_at, failure, given_up, arrived_at, arrived_by
			FROM drill JOIN drill_notice ON drill = drill.id WHERE drill.id IN (`+ids+`) ORDER BY drill.id DESC, drill_notice.id`, arg)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var d Drill
			var n Notice
			var began int64
			var taken, arrived sql.NullInt64
			if err := rows.Scan(&d.ID, &d.Whole, &d.Period, &d.Who, &began, &n.ID, &n.Person, &n.Channel, &taken, &n.Failure, &n.GivenUp, &arrived, &n.ArrivedBy); err != nil {
				return err
			}
			if len(list) == 0 || list[len(list)-1].ID != d.ID {
				d.Began = time.UnixMilli(began).UTC()
				list = append(list, d)
			}
			n.TakenAt, n.ArrivedAt = records.FromMillis(taken), records.FromMillis(arrived)
			last := &list[len(list)-1]
			last.Notices = append(last.Notices, n)
		}
		return rows.Err()
	})
	if err != nil {
		return nil, fmt.Errorf("read the drills: %w", err)
	}
	return list, nil
}

// Took is how long after the trial began a notice was said to have arrived.
func (d *Drill) Took(n *Notice) time.Duration { return n.ArrivedAt.Sub(d.Began) }

// Silent are those who have not said of any notice that it arrived, in the order
// in which they were told.
func (d *Drill) Silent() []string {
	var all []string
	answered := map[string]bool{}
	for _, n := range d.Notices {
		if !slices.Contains(all, n.Person) {
			all = append(all, n.Person)
		}
		answered[n.Person] = answered[n.Person] || !n.ArrivedAt.IsZero()
	}
	return slices.DeleteFunc(all, func(p string) bool { return answered[p] })
}

// Ended reports whether the time to answer is over.
func (d *Drill) Ended(now time.Time) bool { return now.Sub(d.Began) >= AnswerWithin }
