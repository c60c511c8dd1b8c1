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

// dueNotices gives the notices that are due, by their queues, of each up to a
// limit.
func dueNotices(t *testing.T, r *Reader, now time.Time, limit int) (list []notify.Notice) {
	t.Helper()
	queues, err := r.Queues(t.Context(), now)
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range queues {
		rows, err := r.PendingNotices(t.Context(), q.Channel, q.Recipient, limit)
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) == 0 {
			t.Errorf("nothing is pending in %+v", q)
		}
		for _, n := range rows {
			if !n.DueAt.After(now) {
				list = append(list, n)
			}
		}
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
		rows := dueNotices(t, s.Reader, now, limit)
		if d := cmp.Diff(want, keys(rows)); d != "" {
			t.Errorf("due at %v (-want +got):\n%s", now, d)
		}
		return rows
	}
	rows := due(day0.Add(time.Minute), 10, "b", "c", "a")
	due(day0.Add(time.Minute), 1, "b", "a")
	rows = []notify.Notice{rows[2], rows[0], rows[1]}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.MarkDelivered(ctx, day0.Add(time.Second), rows[0].ID))
	must(s.MarkRetry(ctx, day0.Add(2*time.Hour), "connection refused", rows[1].ID))
	must(s.MarkRetry(ctx, day0.Add(3*time.Hour), "connection refused again", rows[1].ID))
	must(s.MarkDead(ctx, rows[2].ID, day0.Add(time.Second), "no such address"))
	for _, id := range []int64{rows[0].ID, rows[2].ID, 99} {
		if err := s.MarkDelivered(ctx, day0, id); !errors.Is(err, ErrNotFound) {
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
	all, err := s.Notices(ctx, 1, "ada")
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
	all, err := s.Notices(ctx, 1, "ada")
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
	if d := cmp.Diff([]string{"missed"}, keys(dueNotices(t, s.Reader, day0, 10))); d != "" {
		t.Errorf("due (-want +got):\n%s", d)
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
				rows, err := s.PendingNotices(ctx, "mail", "ada", 10)
				if err != nil {
					t.Error(err)
					return
				}
				for _, r := range rows {
					switch err := s.MarkDelivered(ctx, day0, r.ID); {
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

// The most urgent comes first, and a success hurries what failed.
func TestQueuesOfTheOutbox(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	with := func(key, channel, person string, p alerts.Priority) notify.Notice {
		n := notice(key, channel, day0)
		n.Recipient, n.Priority = person, p
		return n
	}
	commit(t, s, &Batch{Outbox: []notify.Notice{
		with("a", "mail", "ada", alerts.Low), with("b", "mail", "ada", alerts.Critical), with("c", "mail", "ada", alerts.High),
		with("d", "pager", "ada", alerts.Medium), with("e", "mail", "ben", alerts.High),
	}})
	pending := func(want ...string) {
		t.Helper()
		rows, err := s.PendingNotices(ctx, "mail", "ada", 10)
		if d := cmp.Diff(want, keys(rows)); err != nil || d != "" {
			t.Errorf("pending: %v (-want +got):\n%s", err, d)
		}
	}
	pending("b", "c", "a")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.MarkRetry(ctx, day0.Add(time.Minute), "busy", 2, 3))
	must(s.MarkRetry(ctx, day0.Add(time.Hour), "no such mailbox", 5))
	queue := func(at time.Time, want ...notify.Queue) {
		t.Helper()
		got, err := s.Queues(ctx, at)
		if d := cmp.Diff(want, got); err != nil || d != "" {
			t.Errorf("queues: %v (-want +got):\n%s", err, d)
		}
	}
	queue(day0,
		notify.Queue{Channel: "mail", Recipient: "ada", Newest: 3, Due: day0, Priority: alerts.Low},
		notify.Queue{Channel: "mail", Recipient: "ben", Newest: 5, Due: day0.Add(time.Hour)},
		notify.Queue{Channel: "pager", Recipient: "ada", Newest: 4, Due: day0, Priority: alerts.Medium})
	must(s.MarkDelivered(ctx, day0, 1))
	must(s.Hurry(ctx, "mail", day0.Add(time.Second), 5*time.Minute))
	queue(day0.Add(time.Second),
		notify.Queue{Channel: "mail", Recipient: "ada", Newest: 3, Due: day0.Add(time.Second), Priority: alerts.Critical, Attempts: 1},
		notify.Queue{Channel: "mail", Recipient: "ben", Newest: 5, Due: day0.Add(time.Hour)},
		notify.Queue{Channel: "pager", Recipient: "ada", Newest: 4, Due: day0, Priority: alerts.Medium})
	must(s.HurryAhead(ctx, day0.Add(2*time.Second), time.Hour))
	queue(day0.Add(2*time.Second),
		notify.Queue{Channel: "mail", Recipient: "ada", Newest: 3, Due: day0.Add(time.Second), Priority: alerts.Critical, Attempts: 1},
		notify.Queue{Channel: "mail", Recipient: "ben", Newest: 5, Due: day0.Add(time.Hour)},
		notify.Queue{Channel: "pager", Recipient: "ada", Newest: 4, Due: day0, Priority: alerts.Medium})
	must(s.HurryAhead(ctx, day0.Add(2*time.Second), 59*time.Minute))
	queue(day0.Add(2*time.Second),
		notify.Queue{Channel: "mail", Recipient: "ada", Newest: 3, Due: day0.Add(time.Second), Priority: alerts.Critical, Attempts: 1},
		notify.Queue{Channel: "mail", Recipient: "ben", Newest: 5, Due: day0.Add(2 * time.Second), Priority: alerts.High, Attempts: 1},
		notify.Queue{Channel: "pager", Recipient: "ada", Newest: 4, Due: day0, Priority: alerts.Medium})
	must(s.AddNotice(ctx, with("f", "mail", "ada", alerts.Critical)))
	must(s.AddNotice(ctx, with("f", "mail", "ada", alerts.Critical)))
	pending("f", "b", "c")
	must(s.MarkDelivered(ctx, day0, 2, 3, 99))
	pending("f")
	if err := s.MarkDelivered(ctx, day0, 2, 3); !errors.Is(err, ErrNotFound) {
		t.Errorf("delivering notices again: %v, want ErrNotFound", err)
	}
}

// delivered puts notices that are done into the outbox, fast.
func delivered(t testing.TB, s *Store, n int) {
	t.Helper()
	if _, err := s.conn.ExecContext(context.Background(), `INSERT INTO outbox (key, occurrence, priority, channel, recipient, payload, created_at, due_at, state, attempts, done_at)
		WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?)
		SELECT 'old/' || i, i, 3, 'mail', 'ada', json_object('x', hex(zeroblob(100))), i, i, iif(i % 100, 'delivered', 'superseded'), 1, i FROM n`, n); err != nil {
		t.Fatal(err)
	}
}

// everySecond are the questions that are asked of the outbox all the time.
var everySecond = map[string]func(*Store) error{
	"queues":          func(s *Store) error { _, err := s.Queues(context.Background(), day0); return err },
	"pending notices": func(s *Store) error { _, err := s.PendingNotices(context.Background(), "mail", "ada", 512); return err },
	"failed notices":  func(s *Store) error { _, err := s.FailedNotices(context.Background(), day0); return err },
	"totals":          func(s *Store) error { _, err := s.OutboxTotals(context.Background()); return err },
	"one occurrence":  func(s *Store) error { _, err := s.Notices(context.Background(), 77, "ada"); return err },
}

// slower is by how much a question takes longer of one store than of another,
// and how long it takes there.
func slower(t testing.TB, ask func(*Store) error, there, here *Store) (ratio float64, takes time.Duration) {
	best := func(s *Store) time.Duration {
		least := time.Hour
		for range 30 {
			begin := time.Now()
			if err := ask(s); err != nil {
				t.Fatal(err)
			}
			least = min(least, time.Since(begin))
		}
		return least
	}
	takes = best(there)
	return float64(takes) / float64(best(here)), takes
}

// What is asked of the outbox every second takes no longer beside many
// delivered notices than without any.
func TestOutboxDoesNotSlowDownWithWhatIsDelivered(t *testing.T) {
	waiting := []notify.Notice{notice("w1", "mail", day0), notice("w2", "mail", day0), notice("w3", "pager", day0)}
	empty, full := openTest(t, Options{Synchronous: Normal}), openTest(t, Options{Synchronous: Normal})
	delivered(t, full, 20_000)
	commit(t, empty, &Batch{Outbox: waiting})
	commit(t, full, &Batch{Outbox: waiting})
	for name, ask := range everySecond {
		// Going through 20,000 rows takes milliseconds.
		if ratio, takes := slower(t, ask, full, empty); ratio > 8 && takes > time.Millisecond {
			t.Errorf("%s: %v, %.0f times as long as without delivered notices", name, takes, ratio)
		}
	}
	totals, err := full.OutboxTotals(t.Context())
	want := []OutboxTotal{{"mail", notify.Delivered, 19800}, {"mail", notify.Pending, 2}, {"mail", notify.Superseded, 200}, {"pager", notify.Pending, 1}}
	if d := cmp.Diff(want, totals); err != nil || d != "" {
		t.Errorf("totals: %v (-want +got):\n%s", err, d)
	}
}

// BenchmarkOutbox asks of an outbox with years of delivered notices what is
// asked every second, and says by how much longer that takes than without them.
func BenchmarkOutbox(b *testing.B) {
	empty, full := openTest(b, Options{Synchronous: Normal}), openTest(b, Options{Synchronous: Normal})
	delivered(b, full, 220_000)
	for name, ask := range everySecond {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if err := ask(full); err != nil {
					b.Fatal(err)
				}
			}
			ratio, _ := slower(b, ask, full, empty)
			b.ReportMetric(ratio, "x-empty")
		})
	}
}
