package notify_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"rearguard/alerts/notify"
)

// recorder is a channel that notes what it is given and answers as told.
type recorder struct {
	mu     sync.Mutex
	got    []sending
	answer func(attempt int, m notify.Message) error
	// block, if set, holds every Send until it is closed or its context ends.
	block chan struct{}
}

type sending struct {
	At   time.Duration
	ID   int64
	Kind notify.Kind
}

func (r *recorder) Send(ctx context.Context, m notify.Message) error {
	r.mu.Lock()
	r.got = append(r.got, sending{m.Now.Sub(epoch()), m.Notice.ID, m.Alarm.Kind})
	attempt := len(r.got)
	r.mu.Unlock()
	if r.block != nil {
		select {
		case <-r.block:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if r.answer == nil {
		return nil
	}
	return r.answer(attempt, m)
}

func (r *recorder) sendings() []sending {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]sending(nil), r.got...)
}

// byID are the sendings in the order of the notices, for lanes that run side
// by side.
func (r *recorder) byID() []sending {
	list := r.sendings()
	slices.SortStableFunc(list, func(a, b sending) int { return cmp.Compare(a.ID, b.ID) })
	return list
}

// epoch is when the clock of a synctest bubble starts.
func epoch() time.Time { return time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) }

// at makes the notices of news that happened d after the epoch.
func at(t *testing.T, kind notify.Kind, sequence int64, d time.Duration, people []string, channels ...string) []notify.Notice {
	n := heat(kind, sequence, epoch().Add(d))
	n.RaisedAt = epoch()
	return plan(t, n, people, channels...)
}

// work runs a worker in the bubble and returns how to stop it.
func work(o notify.Outbox, channels map[string]notify.Channel) (w *notify.Worker, stop func()) {
	w = notify.NewWorker(o, channels, notify.Options{Now: time.Now, Random: func() float64 { return 1 }, Logger: slog.New(slog.DiscardHandler)})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); w.Run(ctx) }()
	return w, func() { cancel(); <-done }
}

func TestWorkerRetriesWithGrowingPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
		mail := &recorder{answer: func(attempt int, _ notify.Message) error {
			if attempt < 4 {
				return errors.New("connection refused")
			}
			return nil
		}}
		_, stop := work(o, map[string]notify.Channel{"mail": mail})
		time.Sleep(time.Hour)
		stop()
		want := []sending{{0, 1, notify.Raised}, {2 * time.Second, 1, notify.Raised}, {6 * time.Second, 1, notify.Raised}, {14 * time.Second, 1, notify.Raised}}
		if diff := gocmp.Diff(want, mail.sendings()); diff != "" {
			t.Errorf("attempts (-want +got):\n%s", diff)
		}
		if got := o.states()[1]; got != notify.Delivered {
			t.Errorf("state = %s", got)
		}
	})
}

func TestWorkerWakesForNewNotices(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, mail := newOutbox(), &recorder{}
		w, stop := work(o, map[string]notify.Channel{"mail": mail})
		time.Sleep(10 * time.Second)
		o.add(at(t, notify.Raised, 2, 10*time.Second, []string{"lead"}, "mail")...)
		w.Wake()
		w.Wake()
		synctest.Wait()
		if diff := gocmp.Diff([]sending{{10 * time.Second, 1, notify.Raised}}, mail.sendings()); diff != "" {
			t.Errorf("woken (-want +got):\n%s", diff)
		}
		// One that nobody woke the worker for is found by looking.
		o.add(at(t, notify.Reminder, 4, 11*time.Second, []string{"lead"}, "mail")...)
		time.Sleep(2 * time.Minute)
		stop()
		if got := mail.sendings(); len(got) != 2 {
			t.Errorf("sent %v, want two", got)
		}
	})
}

func TestWorkerObeysTheChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(append(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail", "pager"), at(t, notify.Raised, 2, 0, []string{"lead"}, "gone")...)...)
		mail := &recorder{answer: func(int, notify.Message) error { return notify.Permanent(errors.New("no such mailbox")) }}
		pager := &recorder{answer: func(attempt int, _ notify.Message) error {
			if attempt == 1 {
				return notify.RetryAfter(4*time.Minute, errors.New("too many"))
			}
			return nil
		}}
		_, stop := work(o, map[string]notify.Channel{"mail": mail, "pager": pager})
		time.Sleep(time.Hour)
		stop()
		if got := mail.sendings(); len(got) != 1 {
			t.Errorf("a refused notice was sent %d times", len(got))
		}
		if diff := gocmp.Diff([]sending{{0, 2, notify.Raised}, {4 * time.Minute, 2, notify.Raised}}, pager.sendings()); diff != "" {
			t.Errorf("pager (-want +got):\n%s", diff)
		}
		want := map[int64]notify.State{1: notify.Dead, 2: notify.Delivered, 3: notify.Dead}
		if diff := gocmp.Diff(want, o.states()); diff != "" {
			t.Errorf("states (-want +got):\n%s", diff)
		}
	})
}

// What a clock that was ahead by hours made due is told at once when the clock
// has been set right.
func TestWorkerDoesNotWaitForAClockThatWasAhead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, mail := newOutbox(at(t, notify.Raised, 2, 2*time.Hour, []string{"lead"}, "mail")...), &recorder{}
		_, stop := work(o, map[string]notify.Channel{"mail": mail})
		time.Sleep(time.Second)
		stop()
		if diff := gocmp.Diff([]sending{{0, 1, notify.Raised}}, mail.sendings()); diff != "" {
			t.Errorf("attempts (-want +got):\n%s", diff)
		}
	})
}

func TestWorkerGivesUpOldNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
		mail := &recorder{answer: func(int, notify.Message) error { return errors.New("no route to host") }}
		_, stop := work(o, map[string]notify.Channel{"mail": mail})
		time.Sleep(80 * time.Hour)
		stop()
		if got := o.states()[1]; got != notify.Dead {
			t.Errorf("state after 80 h = %s", got)
		}
		last := mail.sendings()[len(mail.sendings())-1]
		if last.At < 72*time.Hour || last.At > 72*time.Hour+5*time.Minute {
			t.Errorf("last attempt after %v, want just after 72 h", last.At)
		}
	})
}

// Channels of notices are the only outputs that can be dead so far.
//
// A dead channel holds a thousand notices and never answers; another's notice
// goes out at once all the same.
func TestComplaint06DeadChannelDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox()
		for i := range 1000 {
			n := heat(notify.Raised, 2, epoch())
			n.Occurrence = int64(i + 1)
			o.add(plan(t, n, []string{"lead"}, "dead")...)
		}
		dead, mail := &recorder{block: make(chan struct{})}, &recorder{}
		w, stop := work(o, map[string]notify.Channel{"dead": dead, "mail": mail})
		time.Sleep(10 * time.Second)
		n := heat(notify.Raised, 2, epoch().Add(10*time.Second))
		n.Occurrence = 2000
		o.add(plan(t, n, []string{"lead"}, "mail")...)
		w.Wake()
		synctest.Wait()
		if diff := gocmp.Diff([]sending{{10 * time.Second, 1001, notify.Raised}}, mail.sendings()); diff != "" {
			t.Errorf("mail (-want +got):\n%s", diff)
		}
		stop()
	})
}

// Fresh news of a channel goes before what failed again and again.
func TestFreshNewsGoesFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox()
		for i := range 20 {
			n := heat(notify.Raised, 2, epoch())
			n.Occurrence = int64(i + 1)
			o.add(plan(t, n, []string{"lead"}, "mail")...)
		}
		mail := &recorder{answer: func(int, notify.Message) error {
			time.Sleep(20 * time.Second)
			return fmt.Errorf("time-out")
		}}
		w, stop := work(o, map[string]notify.Channel{"mail": mail})
		time.Sleep(20 * time.Minute)
		fresh := heat(notify.Raised, 2, epoch().Add(20*time.Minute))
		fresh.Occurrence = 99
		o.add(plan(t, fresh, []string{"lead"}, "mail")...)
		w.Wake()
		time.Sleep(41 * time.Second)
		stop()
		got := mail.sendings()
		for _, s := range got[len(got)-4:] {
			if s.ID == 21 {
				return
			}
		}
		t.Errorf("the fresh notice is not among the last attempts %v", got[len(got)-4:])
	})
}

func TestStaleNewsIsCollapsed(t *testing.T) {
	down := errors.New("down")
	tests := []struct {
		name string
		// news is added at 0, 10 s, 20 s, ...; the channel works from up on.
		news []notify.Kind
		up   time.Duration
		want []sending
		dead []int64
	}{
		{"end overtakes a beginning never told", []notify.Kind{notify.Raised, notify.Cleared}, 12 * time.Second,
			[]sending{{12500 * time.Millisecond, 2, notify.Over}}, []int64{1}},
		{"both told in time", []notify.Kind{notify.Raised, notify.Cleared}, 0,
			[]sending{{0, 1, notify.Raised}, {10 * time.Second, 2, notify.Cleared}}, nil},
		{"on again before anything was told", []notify.Kind{notify.Raised, notify.Cleared, notify.Raised}, 25 * time.Second,
			[]sending{{25 * time.Second, 3, notify.Raised}}, []int64{1, 2}},
		{"on and off again", []notify.Kind{notify.Raised, notify.Cleared, notify.Raised, notify.Cleared}, 32 * time.Second,
			[]sending{{37500 * time.Millisecond, 4, notify.Over}}, []int64{1, 2, 3}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := newOutbox()
				mail := &recorder{answer: func(_ int, m notify.Message) error {
					if m.Now.Sub(epoch()) < tt.up {
						return down
					}
					return nil
				}}
				w, stop := work(o, map[string]notify.Channel{"mail": mail})
				for i, kind := range tt.news {
					o.add(at(t, kind, int64(2+i), time.Since(epoch()), []string{"lead"}, "mail")...)
					w.Wake()
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
				if diff := gocmp.Diff(tt.want, told); diff != "" {
					t.Errorf("told (-want +got):\n%s", diff)
				}
				for _, id := range tt.dead {
					if got := o.states()[id]; got != notify.Superseded {
						t.Errorf("state of notice %d = %s, want superseded", id, got)
					}
				}
			})
		})
	}
}

// What is queued for another person is another matter, and so is what another
// channel says of the same.
func TestCollapseKeepsPeopleAndChannelsApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail", "pager")...)
		o.add(at(t, notify.Raised, 2, 0, []string{"technician"}, "mail")...)
		o.add(at(t, notify.Raised, 2, 0, []string{"keeper"}, "pager")...)
		o.add(at(t, notify.Cleared, 3, 0, []string{"keeper"}, "pager")...)
		mail, pager := &recorder{}, &recorder{}
		_, stop := work(o, map[string]notify.Channel{"mail": mail, "pager": pager})
		time.Sleep(time.Minute)
		stop()
		if diff := gocmp.Diff([]sending{{0, 1, notify.Raised}, {0, 3, notify.Raised}}, mail.byID()); diff != "" {
			t.Errorf("mail (-want +got):\n%s", diff)
		}
		if diff := gocmp.Diff([]sending{{0, 2, notify.Raised}, {0, 5, notify.Over}}, pager.byID()); diff != "" {
			t.Errorf("pager (-want +got):\n%s", diff)
		}
	})
}

// A full disk after the sending must not send the notice again.
func TestFailedMarkIsNotSentAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
		o.failMarks = 5
		mail := &recorder{}
		_, stop := work(o, map[string]notify.Channel{"mail": mail})
		time.Sleep(time.Hour)
		stop()
		if got := mail.sendings(); len(got) != 1 {
			t.Errorf("sent %d times, want once", len(got))
		}
		if got := o.states()[1]; got != notify.Delivered {
			t.Errorf("state = %s", got)
		}
	})
}

func TestStopLetsAnAttemptFinishWithinItsGrace(t *testing.T) {
	tests := map[string]struct {
		takes time.Duration
		stops time.Duration
		state notify.State
	}{
		"quick": {3 * time.Second, 3 * time.Second, notify.Delivered},
		"slow":  {time.Hour, 5 * time.Second, notify.Pending},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := newOutbox(at(t, notify.Raised, 2, 0, []string{"lead"}, "mail")...)
				mail := &recorder{block: make(chan struct{})}
				_, stop := work(o, map[string]notify.Channel{"mail": mail})
				synctest.Wait()
				release := time.AfterFunc(tt.takes, func() { close(mail.block) })
				defer release.Stop()
				start := time.Now()
				stop()
				if took := time.Since(start); took != tt.stops {
					t.Errorf("stopping took %v, want %v", took, tt.stops)
				}
				if got := o.states()[1]; got != tt.state {
					t.Errorf("state = %s, want %s", got, tt.state)
				}
			})
		})
	}
}
