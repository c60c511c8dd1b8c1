package notify_test

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/notify/letter"
	"rearguard/alerts/roster"
	"rearguard/alerts/wording"
)

// outbox is a small durable outbox: a journal of JSON lines, each on the disk
// before its method returns. Without a file it lives in memory, for tests
// under a fake clock.
type outbox struct {
	mu      sync.Mutex
	rows    map[int64]*notify.Notice
	reasons map[int64]string
	file    *os.File
	// failMarks makes that many marks of delivery fail.
	failMarks int
}

type entry struct {
	Notice notify.Notice
	Reason string
}

func newOutbox(notices ...notify.Notice) *outbox {
	o := &outbox{rows: map[int64]*notify.Notice{}, reasons: map[int64]string{}}
	o.add(notices...)
	return o
}

// openOutbox reads the journal that an earlier process left.
func openOutbox(path string) (*outbox, error) {
	o := newOutbox()
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	lines := bufio.NewScanner(file)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var e entry
		if json.Unmarshal(lines.Bytes(), &e) != nil {
			continue // the line on which the process died
		}
		o.rows[e.Notice.ID], o.reasons[e.Notice.ID] = &e.Notice, e.Reason
	}
	o.file = file
	return o, lines.Err()
}

func (o *outbox) write(id int64) error {
	if o.file == nil {
		return nil
	}
	line, err := json.Marshal(entry{*o.rows[id], o.reasons[id]})
	if err != nil {
		return err
	}
	if _, err := o.file.Write(append(line, '\n')); err != nil {
		return err
	}
	return o.file.Sync()
}

func (o *outbox) add(notices ...notify.Notice) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, n := range notices {
		n.ID = int64(len(o.rows) + 1)
		o.rows[n.ID] = &n
		if err := o.write(n.ID); err != nil {
			panic(err)
		}
	}
}

func (o *outbox) Queues(_ context.Context, at time.Time) ([]notify.Queue, error) {
	var list []notify.Queue
	for _, n := range o.all(func(n notify.Notice) bool { return n.State == notify.Pending }) {
		i := slices.IndexFunc(list, func(q notify.Queue) bool { return q.Channel == n.Channel && q.Recipient == n.Recipient })
		if i < 0 {
			i = len(list)
			list = append(list, notify.Queue{Channel: n.Channel, Recipient: n.Recipient, Due: n.DueAt, Attempts: 1 << 30})
		}
		q := &list[i]
		q.Newest = max(q.Newest, n.ID)
		if n.DueAt.Before(q.Due) {
			q.Due = n.DueAt
		}
		if !n.DueAt.After(at) {
			q.Priority, q.Attempts = max(q.Priority, n.Priority), min(q.Attempts, n.Attempts)
		}
	}
	return list, nil
}

func (o *outbox) PendingNotices(_ context.Context, channel, recipient string, limit int) ([]notify.Notice, error) {
	rows := o.all(func(n notify.Notice) bool {
		return n.State == notify.Pending && n.Channel == channel && n.Recipient == recipient
	})
	slices.SortStableFunc(rows, func(a, b notify.Notice) int {
		return cmp.Or(cmp.Compare(b.Priority, a.Priority), a.DueAt.Compare(b.DueAt))
	})
	return rows[:min(limit, len(rows))], nil
}

func (o *outbox) AddNotice(_ context.Context, n notify.Notice) error {
	if len(o.all(func(other notify.Notice) bool { return other.Key == n.Key })) == 0 {
		o.add(n)
	}
	return nil
}

func (o *outbox) Hurry(_ context.Context, channel string, at time.Time, within time.Duration) error {
	for _, n := range o.all(func(n notify.Notice) bool {
		return n.State == notify.Pending && n.Channel == channel && n.Attempts > 0 && n.DueAt.After(at) && !n.DueAt.After(at.Add(within))
	}) {
		if err := o.change(n.ID, func(n *notify.Notice) { n.DueAt = at }, ""); err != nil {
			return err
		}
	}
	return nil
}

func (o *outbox) Notices(_ context.Context, occurrence int64, recipient string) ([]notify.Notice, error) {
	return o.all(func(n notify.Notice) bool { return n.Occurrence == occurrence && n.Recipient == recipient }), nil
}

func (o *outbox) all(want func(notify.Notice) bool) []notify.Notice {
	o.mu.Lock()
	defer o.mu.Unlock()
	var rows []notify.Notice
	for _, n := range o.rows {
		if want(*n) {
			rows = append(rows, *n)
		}
	}
	slices.SortFunc(rows, func(a, b notify.Notice) int { return cmp.Compare(a.ID, b.ID) })
	return rows
}

func (o *outbox) change(id int64, change func(*notify.Notice), reason string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	n := o.rows[id]
	if n == nil || n.State != notify.Pending {
		return fmt.Errorf("notice %d is not pending", id)
	}
	change(n)
	o.reasons[id] = reason
	return o.write(id)
}

var errDiskFull = errors.New("no space left on device")

func (o *outbox) MarkDelivered(_ context.Context, _ time.Time, ids ...int64) error {
	o.mu.Lock()
	fail := o.failMarks > 0
	if fail {
		o.failMarks--
	}
	o.mu.Unlock()
	if fail {
		return errDiskFull
	}
	return o.changeAll(ids, func(n *notify.Notice) { n.State = notify.Delivered; n.Attempts++ }, "")
}

func (o *outbox) MarkRetry(_ context.Context, due time.Time, reason string, ids ...int64) error {
	return o.changeAll(ids, func(n *notify.Notice) { n.DueAt = due; n.Attempts++ }, reason)
}

func (o *outbox) changeAll(ids []int64, change func(*notify.Notice), reason string) error {
	var errs []error
	for _, id := range ids {
		errs = append(errs, o.change(id, change, reason))
	}
	return errors.Join(errs...)
}

func (o *outbox) MarkDead(_ context.Context, id int64, _ time.Time, reason string) error {
	return o.change(id, func(n *notify.Notice) { n.State = notify.Dead; n.Attempts++ }, reason)
}

func (o *outbox) MarkSuperseded(_ context.Context, id int64, _ time.Time, reason string) error {
	return o.change(id, func(n *notify.Notice) { n.State = notify.Superseded }, reason)
}

func (o *outbox) states() map[int64]notify.State {
	states := map[int64]notify.State{}
	for _, n := range o.all(func(notify.Notice) bool { return true }) {
		states[n.ID] = n.State
	}
	return states
}

// begin is the time of the first alarm in these tests: a winter night.
var begin = time.Date(2025, 1, 14, 1, 14, 0, 0, time.UTC)

func heat(kind notify.Kind, sequence int64, at time.Time) notify.AlarmNotice {
	return notify.AlarmNotice{
		Facility: "Invented Moth House", Kind: kind, Audience: letter.Audience{Zone: "Europe/Madrid"},
		Key: alerts.Key{Condition: "heat", Room: "nursery"}, Occurrence: 42, Sequence: sequence,
		Priority: alerts.High, Title: "too hot", RoomName: "Nursery", Measure: wording.Measure{Value: 36.44, Limit: 35, Unit: "°C"},
		Advice: alerts.Advice{
			Cause: "Heater stuck on.", Consequence: "Animals die.", FirstAction: "Switch the heater off at its isolator.",
			TimeToRespond: time.Hour,
		},
		Detail:   wording.Report("shelf 2 (nursery-north), cohort atlas-3 in pupa"),
		RaisedAt: begin, Time: at, Links: notify.Links{Link: "https://rearguard.example.org/alarms/42"},
	}
}

func plan(t *testing.T, n notify.AlarmNotice, people []string, channels ...string) []notify.Notice {
	t.Helper()
	notices, err := notify.Plan(n, calls(people, channels...), nil)
	if err != nil {
		t.Fatal(err)
	}
	return notices
}

// calls are those of people by each of the channels.
func calls(people []string, channels ...string) []roster.Call {
	var list []roster.Call
	for _, p := range people {
		for _, c := range channels {
			list = append(list, roster.Call{Person: p, Channel: c})
		}
	}
	return list
}

func message(t *testing.T, n notify.AlarmNotice, now time.Time) notify.Message {
	t.Helper()
	m := notify.Message{Notice: plan(t, n, []string{"lead"}, "mail")[0], Alarm: n, Now: now}
	m.Subject, m.Body = letter.Render(n, now)
	return m
}
