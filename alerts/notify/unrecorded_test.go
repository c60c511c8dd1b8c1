package notify_test

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/alerts/notify"
)

// queue is a daemon whose disk is full, until it is written out.
type queue struct {
	mu      sync.Mutex
	notices []notify.Notice
	claimed map[string]bool
	told    map[string]time.Duration
}

func newQueue(notices ...notify.Notice) *queue {
	return &queue{notices: notices, claimed: map[string]bool{}, told: map[string]time.Duration{}}
}

func (q *queue) Claim(time.Time) []notify.Notice {
	q.mu.Lock()
	defer q.mu.Unlock()
	var list []notify.Notice
	for _, n := range q.notices {
		if !q.claimed[n.Key] {
			q.claimed[n.Key] = true
			list = append(list, n)
		}
	}
	return list
}

func (q *queue) Release(key string, toldAt time.Time) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if !q.claimed[key] {
		panic("released and never claimed: " + key)
	}
	delete(q.claimed, key)
	if !toldAt.IsZero() {
		q.told[key] = toldAt.Sub(epoch())
		q.notices = slices.DeleteFunc(q.notices, func(n notify.Notice) bool { return n.Key == key })
	}
}

func (q *queue) add(notices ...notify.Notice) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.notices = append(q.notices, notices...)
}

// writeOut is the end of the trouble: nothing waits any more.
func (q *queue) writeOut() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.notices = nil
}

func (q *queue) held() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.claimed)
}

// workUnrecorded runs the deliverer in the bubble and returns how to stop it.
func workUnrecorded(q *queue, channels map[string]notify.Channel) (u *notify.Unrecorded, stop func()) {
	u = notify.NewUnrecorded(q, channels, notify.Options{Now: time.Now, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler)})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); u.Run(ctx) }()
	return u, func() { cancel(); <-done }
}

// scribe is a channel that keeps what it took.
type scribe struct {
	// takes is how long it takes for each.
	takes time.Duration
	mu    sync.Mutex
	took  []notify.Message
}

func (s *scribe) Send(_ context.Context, m notify.Message) error {
	time.Sleep(s.takes)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.took = append(s.took, m)
	return nil
}

func TestUnrecordedTellsWhatTheOutboxWouldTell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		planned := at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")
		direct, recorded := &scribe{}, &scribe{}
		_, stopWorker := work(newOutbox(planned...), map[string]notify.Channel{"mail": recorded})
		_, stop := workUnrecorded(newQueue(planned...), map[string]notify.Channel{"mail": direct})
		synctest.Wait()
		stop()
		stopWorker()
		got, want := direct.took[0], recorded.took[0]
		if got.Notice.Key != want.Notice.Key || got.Subject != want.Subject {
			t.Errorf("told %q under %s, the outbox tells %q under %s", got.Subject, got.Notice.Key, want.Subject, want.Notice.Key)
		}
		const remark = "This message is not in the records yet, since they cannot be written.\n"
		if !strings.Contains(got.Body, remark) || strings.Replace(got.Body, remark, "", 1) != want.Body {
			t.Errorf("body is not that of the outbox with the remark:\n%s", cmp.Diff(want.Body, got.Body))
		}
	})
}

func TestUnrecordedRetriesWithGrowingPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
		key := q.notices[0].Key
		mail := &recorder{answer: func(attempt int, _ notify.Message) error {
			if attempt < 4 {
				return errors.New("connection refused")
			}
			return nil
		}}
		_, stop := workUnrecorded(q, map[string]notify.Channel{"mail": mail})
		time.Sleep(time.Second)
		if q.held() != 0 {
			t.Error("a notice stays claimed between two attempts")
		}
		time.Sleep(time.Hour)
		stop()
		want := []sending{{0, 0, notify.Raised}, {2 * time.Second, 0, notify.Raised}, {6 * time.Second, 0, notify.Raised}, {14 * time.Second, 0, notify.Raised}}
		if diff := cmp.Diff(want, mail.sendings()); diff != "" {
			t.Errorf("attempts (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(map[string]time.Duration{key: 14 * time.Second}, q.told); diff != "" {
			t.Errorf("released (-want +got):\n%s", diff)
		}
	})
}

func TestUnrecordedIsWokenAndLooksByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, mail := newQueue(), &recorder{}
		u, stop := workUnrecorded(q, map[string]notify.Channel{"mail": mail})
		time.Sleep(10 * time.Second)
		q.add(at(t, notify.Raised, 2, 10*time.Second, []string{"lead"}, "mail")...)
		u.Wake()
		u.Wake()
		synctest.Wait()
		if diff := cmp.Diff([]sending{{10 * time.Second, 0, notify.Raised}}, mail.sendings()); diff != "" {
			t.Errorf("woken (-want +got):\n%s", diff)
		}
		q.add(at(t, notify.Reminder, 4, 11*time.Second, []string{"lead"}, "mail")...)
		time.Sleep(2 * time.Minute)
		stop()
		if got := mail.sendings(); len(got) != 2 {
			t.Errorf("sent %v, want two", got)
		}
	})
}

// Once the records can be written again the outbox takes over.
func TestUnrecordedLeavesWhatIsWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
		mail := &recorder{answer: func(int, notify.Message) error { return errors.New("down") }}
		_, stop := workUnrecorded(q, map[string]notify.Channel{"mail": mail})
		time.Sleep(3 * time.Second)
		q.writeOut()
		time.Sleep(time.Hour)
		stop()
		if got := mail.sendings(); len(got) != 2 {
			t.Errorf("tried at %v, want only the two attempts before it was written", got)
		}
	})
}

func TestUnrecordedObeysTheChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail", "pager", "gone", "stuck")...)
		mail := &recorder{answer: func(int, notify.Message) error { return notify.Permanent(errors.New("no such mailbox")) }}
		pager := &recorder{answer: func(attempt int, _ notify.Message) error {
			if attempt == 1 {
				return notify.RetryAfter(4*time.Minute, errors.New("too many"))
			}
			return nil
		}}
		stuck := &recorder{block: make(chan struct{})}
		_, stop := workUnrecorded(q, map[string]notify.Channel{"mail": mail, "pager": pager, "stuck": stuck})
		time.Sleep(time.Hour)
		stop()
		if got := mail.sendings(); len(got) != 1 {
			t.Errorf("a refused notice was sent %d times", len(got))
		}
		if diff := cmp.Diff([]sending{{0, 0, notify.Raised}, {4 * time.Minute, 0, notify.Raised}}, pager.sendings()); diff != "" {
			t.Errorf("pager (-want +got):\n%s", diff)
		}
		if len(stuck.sendings()) < 10 {
			t.Errorf("a channel that never answers was tried %d times", len(stuck.sendings()))
		}
		if q.held() != 0 || len(q.told) != 1 {
			t.Errorf("%d notices stay claimed, %d told; want none and one", q.held(), len(q.told))
		}
	})
}

func TestUnrecordedGivesUpOldNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
		mail := &recorder{answer: func(int, notify.Message) error { return errors.New("no route to host") }}
		_, stop := workUnrecorded(q, map[string]notify.Channel{"mail": mail})
		time.Sleep(80 * time.Hour)
		stop()
		last := mail.sendings()[len(mail.sendings())-1]
		if last.At < 72*time.Hour || last.At > 72*time.Hour+5*time.Minute {
			t.Errorf("last attempt after %v, want just after 72 h", last.At)
		}
	})
}

func TestUnrecordedStaleNewsIsCollapsed(t *testing.T) {
	type news struct {
		kind     notify.Kind
		sequence int64
	}
	raised, cleared := news{notify.Raised, 2}, news{notify.Cleared, 3}
	tests := []struct {
		name string
		// news is added at 0, 10 s, 20 s, ...; the channel works from up on.
		news []news
		up   time.Duration
		want []sending
	}{
		{"end overtakes a beginning never told", []news{raised, cleared}, 12 * time.Second, []sending{{12500 * time.Millisecond, 0, notify.Over}}},
		{"both told in time", []news{raised, cleared}, 0, []sending{{0, 0, notify.Raised}, {10 * time.Second, 0, notify.Cleared}}},
		{"the beginning is in the outbox", []news{cleared}, 0, []sending{{0, 0, notify.Cleared}}},
		{"on again before anything was told", []news{raised, cleared, {notify.Raised, 4}}, 25 * time.Second, []sending{{25 * time.Second, 0, notify.Raised}}},
		{"an older one that turns up late", []news{{notify.Raised, 4}, cleared}, 0, []sending{{0, 0, notify.Raised}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				q := newQueue()
				mail := &recorder{answer: func(_ int, m notify.Message) error {
					if m.Now.Sub(epoch()) < tt.up {
						return errors.New("down")
					}
					return nil
				}}
				u, stop := workUnrecorded(q, map[string]notify.Channel{"mail": mail})
				for _, n := range tt.news {
					q.add(at(t, n.kind, n.sequence, time.Since(epoch()), []string{"lead"}, "mail")...)
					u.Wake()
					time.Sleep(10 * time.Second)
				}
				time.Sleep(time.Hour)
				stop()
				var told []sending
				for _, s := range mail.sendings() {
					if s.At >= tt.up {
						told = append(told, s)
					}
				}
				if diff := cmp.Diff(tt.want, told); diff != "" {
					t.Errorf("told (-want +got):\n%s", diff)
				}
			})
		})
	}
}

// A beginning that is written after its end was told is not told any more.
func TestOutboxWithdrawsWhatIsOlderThanWhatWasTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cleared := at(t, notify.Cleared, 3, 10*time.Second, []string{"lead"}, "mail")
		cleared[0].State = notify.Delivered
		o := newOutbox(append(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail"), cleared...)...)
		mail := &recorder{}
		_, stop := work(o, map[string]notify.Channel{"mail": mail})
		time.Sleep(time.Hour)
		stop()
		if got := mail.sendings(); len(got) != 0 {
			t.Errorf("sent %v, want nothing", got)
		}
		want := map[int64]notify.State{1: notify.Superseded, 2: notify.Delivered}
		if diff := cmp.Diff(want, o.states()); diff != "" {
			t.Errorf("states (-want +got):\n%s", diff)
		}
	})
}

func TestStopSettlesTheClaimUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
		mail := &recorder{block: make(chan struct{})}
		_, stop := workUnrecorded(q, map[string]notify.Channel{"mail": mail})
		synctest.Wait()
		if q.held() != 1 {
			t.Errorf("%d claims during an attempt, want 1", q.held())
		}
		release := time.AfterFunc(3*time.Second, func() { close(mail.block) })
		defer release.Stop()
		stop()
		if q.held() != 0 || len(q.told) != 1 {
			t.Errorf("%d claims and %d told after the stop, want 0 and 1", q.held(), len(q.told))
		}
	})
}
