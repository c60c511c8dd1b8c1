package records

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/daemon/rearing/population"
)

func notice(key, channel string, due time.Time) notify.Notice {
	return notify.Notice{Key: key, Occurrence: 1, Channel: channel, Recipient: "ada", CreatedAt: day0, DueAt: due}
}

func keys(rows []notify.Notice) (list []string) {
	for _, r := range rows {
		list = append(list, r.Key)
	}
	return list
}

func TestOutbox(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	commit(t, s, &Batch{Outbox: []notify.Notice{
		notice("later", "mail", day0.Add(time.Hour)), notice("b", "mail", day0.Add(time.Minute)),
		notice("a", "webhook", day0), notice("c", "mail", day0.Add(time.Minute)),
	}})
	due := func(now time.Time, limit int, want ...string) []notify.Notice {
		t.Helper()
		rows, err := s.DueNotices(ctx, now, limit)
		if d := cmp.Diff(want, keys(rows)); err != nil || d != "" {
			t.Errorf("due at %v: %v (-want +got):\n%s", now, err, d)
		}
		return rows
	}
	rows := due(day0.Add(time.Minute), 10, "a", "b", "c")
	due(day0.Add(time.Minute), 2, "a", "b")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.MarkDelivered(ctx, rows[0].ID, day0.Add(time.Second)))
	must(s.MarkRetry(ctx, rows[1].ID, day0.Add(2*time.Hour), "connection refused"))
	must(s.MarkRetry(ctx, rows[1].ID, day0.Add(3*time.Hour), "connection refused again"))
	must(s.MarkDead(ctx, rows[2].ID, day0.Add(time.Second), "no such address"))
	for _, id := range []int64{rows[0].ID, rows[2].ID, 99} {
		if err := s.MarkDelivered(ctx, id, day0); !errors.Is(err, ErrNotFound) {
			t.Errorf("delivering notice %d: %v, want ErrNotFound", id, err)
		}
	}
	due(day0.Add(time.Hour), 10, "later")
	for since, want := range map[time.Time][]string{day0: {"b", "c"}, day0.Add(time.Hour): {"b"}} {
		failed, err := s.FailedNotices(ctx, since)
		if d := cmp.Diff(want, keys(failed)); err != nil || d != "" {
			t.Errorf("failed since %v: %v (-want +got):\n%s", since, err, d)
		}
	}
	// What is entered again, with the same key, is neither sent again nor changed.
	commit(t, s, &Batch{Outbox: []notify.Notice{notice("a", "webhook", day0), notice("b", "mail", day0)}})
	due(day0.Add(time.Minute), 10)
	all, err := s.Notices(ctx, 1)
	must(err)
	byKey := map[string]notify.Notice{}
	for _, r := range all {
		byKey[r.Key] = r
	}
	for key, want := range map[string]struct {
		state    notify.State
		attempts int
		done     time.Time
		fault    string
	}{
		"a":     {notify.Delivered, 1, day0.Add(time.Second), ""},
		"b":     {notify.Pending, 2, time.Time{}, "connection refused again"},
		"c":     {notify.Dead, 1, day0.Add(time.Second), "no such address"},
		"later": {notify.Pending, 0, time.Time{}, ""},
	} {
		if got := byKey[key]; got.State != want.state || got.Attempts != want.attempts || !got.DoneAt.Equal(want.done) || got.LastError != want.fault {
			t.Errorf("notice %s: %+v, want %+v", key, got, want)
		}
	}
	totals, err := s.OutboxTotals(ctx)
	want := []OutboxTotal{{"mail", notify.Dead, 1}, {"mail", notify.Pending, 2}, {"webhook", notify.Delivered, 1}}
	if d := cmp.Diff(want, totals); err != nil || d != "" {
		t.Errorf("totals: %v (-want +got):\n%s", err, d)
	}
}

// What was told while the records could not be written is entered as told, or
// released after it was entered.
func TestNoticesToldBeforeTheyWereEntered(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	told := notice("told", "mail", day0)
	told.State, told.DoneAt = notify.Delivered, day0.Add(time.Minute)
	commit(t, s, &Batch{Outbox: []notify.Notice{
		told, notice("taken", "mail", day0.Add(time.Hour)), notice("missed", "mail", day0.Add(time.Hour)),
	}})
	if err := s.ReleaseNotice(ctx, "taken", day0.Add(2*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if err := s.ReleaseNotice(ctx, "missed", time.Time{}); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"told", "taken", "unknown"} {
		if err := s.ReleaseNotice(ctx, key, day0); !errors.Is(err, ErrNotFound) {
			t.Errorf("settling %s: %v, want ErrNotFound", key, err)
		}
	}
	all, err := s.Notices(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	taken, missed := notice("taken", "mail", day0.Add(time.Hour)), notice("missed", "mail", day0)
	taken.State, taken.DoneAt, taken.Attempts = notify.Delivered, day0.Add(2*time.Minute), 1
	missed.State = notify.Pending
	told.Attempts = 1
	want := []notify.Notice{told, taken, missed}
	for i := range want {
		want[i].ID, want[i].Payload = int64(i+1), []byte("null")
	}
	if d := cmp.Diff(want, all); d != "" {
		t.Errorf("notices (-want +got):\n%s", d)
	}
	due, err := s.DueNotices(ctx, day0, 10)
	if d := cmp.Diff([]string{"missed"}, keys(due)); err != nil || d != "" {
		t.Errorf("due: %v (-want +got):\n%s", err, d)
	}
}

// The engine commits while several notifiers deliver; every notice must be
// delivered by exactly one of them.
func TestNotifiersBesideTheEngine(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{Synchronous: Normal})
	const batches, each = 100, 5
	var wait sync.WaitGroup
	engine := make(chan struct{})
	wait.Go(func() {
		defer close(engine)
		for n := range batches {
			b := batchNumber(int64(n + 1))
			b.Outbox = nil
			for i := range each {
				b.Outbox = append(b.Outbox, notice(fmt.Sprintf("%d/%d", n, i), "mail", day0))
			}
			if err := s.Commit(ctx, b); err != nil {
				t.Error(err)
				return
			}
		}
	})
	var mu sync.Mutex
	delivered := map[string]int{}
	for range 3 {
		wait.Go(func() {
			for {
				var ended bool
				select {
				case <-engine:
					ended = true
				default:
				}
				rows, err := s.DueNotices(ctx, day0, 10)
				if err != nil {
					t.Error(err)
					return
				}
				for _, r := range rows {
					switch err := s.MarkDelivered(ctx, r.ID, day0); {
					case err == nil:
						mu.Lock()
						delivered[r.Key]++
						mu.Unlock()
					case !errors.Is(err, ErrNotFound):
						t.Error(err)
					}
				}
				if ended && len(rows) == 0 {
					return
				}
			}
		})
	}
	wait.Wait()
	if len(delivered) != batches*each {
		t.Errorf("%d notices delivered, want %d", len(delivered), batches*each)
	}
	for key, n := range delivered {
		if n != 1 {
			t.Errorf("notice %s was delivered %d times", key, n)
		}
	}
}

func TestLifeOfAnAlarm(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	key := alerts.Key{Condition: "heat", Room: "nursery"}
	raised := AlarmRow{Key: key, Occurrence: 1, Priority: alerts.High, Active: true, RaisedAt: day0, State: []byte(`{"s":1}`)}
	acknowledged := raised
	acknowledged.AcknowledgedAt, acknowledged.AcknowledgedBy = day0.Add(time.Minute), "Ada"
	closed := acknowledged
	closed.Active, closed.Closed, closed.ClearedAt = false, true, day0.Add(time.Hour)
	second := AlarmRow{Key: key, Occurrence: 2, Priority: alerts.Critical, Active: true, RaisedAt: day0.Add(2 * time.Hour), State: []byte(`{"s":2}`)}
	for _, step := range []struct {
		row           AlarmRow
		open, history []AlarmRow
	}{
		{AlarmRow{Key: key, State: []byte(`{"waiting":1}`)}, []AlarmRow{{Key: key, State: []byte(`{"waiting":1}`)}}, nil},
		{raised, []AlarmRow{raised}, []AlarmRow{raised}},
		{acknowledged, []AlarmRow{acknowledged}, []AlarmRow{acknowledged}},
		{closed, nil, []AlarmRow{closed}},
		{second, []AlarmRow{second}, []AlarmRow{closed, second}},
	} {
		commit(t, s, &Batch{Alarms: []AlarmRow{step.row}})
		open, err := s.Reader.LoadAlarms(context.Background())
		if d := cmp.Diff(step.open, open); err != nil || d != "" {
			t.Errorf("open: %v (-want +got):\n%s", err, d)
		}
		history, err := s.AlarmHistory(ctx, day0, day0.AddDate(0, 0, 1))
		if d := cmp.Diff(step.history, history); err != nil || d != "" {
			t.Errorf("history: %v (-want +got):\n%s", err, d)
		}
	}
}

func TestReplacedRows(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	count := population.Count{ID: 1, Cohort: "a", Time: day0, Stage: "egg", Seen: 4, By: "Ada"}
	commit(t, s, &Batch{Counts: []population.Count{count}, Cohorts: []population.Cohort{{ID: "a", Individuals: 3}}, State: map[string][]byte{"x": {1}}})
	count.Undone = true
	commit(t, s, &Batch{Counts: []population.Count{count}, Cohorts: []population.Cohort{{ID: "a", Individuals: 2}}, State: map[string][]byte{"x": {2}}})
	counts, err := s.LoadCounts(ctx)
	if d := cmp.Diff([]population.Count{count}, counts); err != nil || d != "" {
		t.Errorf("counts: %v (-want +got):\n%s", err, d)
	}
	cohorts, err := s.LoadCohorts(ctx)
	if err != nil || len(cohorts) != 1 || cohorts[0].Individuals != 2 {
		t.Errorf("cohorts: %+v, %v", cohorts, err)
	}
	if state, err := s.LoadState(ctx, "x"); err != nil || len(state) != 1 || state[0] != 2 {
		t.Errorf("state: %v, %v", state, err)
	}
}

func TestJournalIsAppendOnly(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	commit(t, s, batchNumber(1))
	commit(t, s, &Batch{Transitions: []AlarmTransition{{Key: alerts.Key{Condition: "heat"}, Time: day0, From: alerts.Normal, To: alerts.Unacknowledged}}})
	if err := s.Commit(ctx, batchNumber(1)); err == nil {
		t.Error("a journal entry with a number that is taken was stored")
	}
	for _, q := range []string{"UPDATE journal SET who = 'x'", "DELETE FROM journal", "UPDATE alarm_transition SET who = 'x'", "DELETE FROM alarm_transition"} {
		if _, err := s.conn.ExecContext(ctx, q); err == nil {
			t.Errorf("%s succeeded", q)
		}
	}
}
