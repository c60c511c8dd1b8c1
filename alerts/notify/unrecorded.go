package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"sync"
	"time"
)

// LongestClaim is longer than any notice stays claimed. One that is entered
// into the outbox while it is claimed is entered as due that much after the
// claim: should a crash forget the claim, it is delivered then.
const LongestClaim = time.Minute

// Waiting are notices that were decided and are not in the outbox yet, since
// the records cannot be written. All methods may be called from several
// goroutines.
type Waiting interface {
	// Claim gives the waiting notices that are to be told without the outbox,
	// and keeps the outbox from telling them as well until Release. Only urgent
	// ones are told so: those whose AlarmNotice has priority Critical or High.
	// They come in the order in which they were decided; those claimed and not
	// released yet are left out.
	Claim(now time.Time) []Notice
	// Release says what became of a claimed notice: when a channel took it, or
	// zero if none did. A notice that was told enters the outbox as delivered.
	// Any other is given by Claim again until it is written; then the outbox
	// delivers it. Release itself must not call Wake.
	Release(key string, toldAt time.Time)
}

// Unrecorded brings people the notices that wait for records that cannot be
// written, by the same channels, under the same keys and with the same pauses
// between attempts as a Worker would. It asks for what waits before every
// round of attempts and keeps a claim only while an attempt is under way, so
// that the Worker takes over as soon as the records can be written again. What
// was tried lives in memory only: delivery is at least once here as well.
type Unrecorded struct {
	waiting  Waiting
	channels channelList
	now      func() time.Time
	random   func() float64
	logger   *slog.Logger
	wake     chan struct{}

	mu sync.Mutex
	// failed are the notices that no channel has taken yet, by key.
	failed map[string]failure
	told   map[thread]telling
}

// failure is what came of the attempts at a notice so far.
type failure struct {
	attempts int
	// due is when to try again, or when the notice was given up.
	due time.Time
	// final is set when no further attempt makes sense here; the outbox will
	// say so in the records.
	final bool
}

// thread is all news of one occurrence to one person by one channel.
type thread struct{ occurrence, channel, recipient string }

// telling is the newest news told of a thread.
type telling struct {
	sequence int64
	at       time.Time
}

// NewUnrecorded builds a deliverer of what waits; Run makes it work.
func NewUnrecorded(waiting Waiting, channels map[string]Channel, o Options) *Unrecorded {
	u := &Unrecorded{
		waiting: waiting, now: o.Now, random: o.Random, logger: o.Logger,
		wake: make(chan struct{}, 1), failed: map[string]failure{}, told: map[thread]telling{},
	}
	u.channels.use(channels)
	return u
}

// Wake tells that there is something to claim. It never blocks.
func (u *Unrecorded) Wake() { wakeUp(u.wake) }

// Run delivers until ctx ends, then waits for the attempts under way and
// returns. It is called once.
func (u *Unrecorded) Run(ctx context.Context) { runLanes(ctx, u.wake, u.dispatch) }

// InTurn is Worker.InTurn for what waits.
func (u *Unrecorded) InTurn() func(context.Context) time.Duration { return inTurn(u.dispatch) }

// dispatch starts an attempt for every idle channel that has a waiting notice
// due, gives all others back, and returns how long to wait for the next.
func (u *Unrecorded) dispatch(_ context.Context, l *lanes) time.Duration {
	now := u.now()
	u.forget(now)
	claimed := u.waiting.Claim(now)
	news := u.news(claimed, now)
	// A notice that has not been tried yet goes before those that failed.
	slices.SortStableFunc(news, func(a, b untold) int { return cmp.Compare(a.attempts, b.attempts) })
	pause := idlePoll
	started := map[string]bool{}
	for _, n := range news {
		channel := u.channels.all()[n.lead.Channel]
		wait, ok := l.try(n.lead.Channel, n.due, now, func(ctx context.Context) result { return u.attempt(ctx, channel, n) })
		pause = min(pause, wait)
		started[n.lead.Key] = ok
	}
	for _, n := range claimed {
		if !started[n.Key] {
			u.waiting.Release(n.Key, time.Time{})
		}
	}
	return pause
}

// attempt makes one attempt and releases the claim.
func (u *Unrecorded) attempt(ctx context.Context, channel Channel, n untold) result {
	err := transmit(ctx, channel, compose(n.lead, n.alarm, u.now(), notRecorded))
	now := u.now()
	about := u.logger.With("notice", n.lead.Key, "channel", n.lead.Channel, "recipient", n.lead.Recipient)
	if err == nil {
		about.Info("notice delivered before it could be recorded", "kind", n.alarm.Kind)
		u.note(n, now)
		u.waiting.Release(n.lead.Key, now)
		return result{channel: n.lead.Channel}
	}
	f := failure{attempts: n.attempts + 1, due: now}
	after, asked := retryAfter(err)
	switch {
	case IsPermanent(err):
		f.final = true
		about.Error("notice refused; it is not recorded yet", "error", err)
	case now.Sub(n.lead.CreatedAt) > usefulFor:
		f.final = true
		about.Error("notice given up; it is not recorded yet", "error", err)
	default:
		if !asked {
			after = backoff(f.attempts, u.random())
		}
		f.due = now.Add(after)
		about.Warn("notice neither delivered nor recorded yet", "again_in", after, "error", err)
	}
	u.fail(n.lead.Key, f)
	u.waiting.Release(n.lead.Key, time.Time{})
	return result{channel: n.lead.Channel}
}

// notRecorded is what people are told besides, for they will look for the
// alarm on its page.
const notRecorded = "This message is not in the records yet, since they cannot be written."

// untold is what is to be said of one thread, however many notices wait.
type untold struct {
	// lead is the newest of the thread; it is the one that is sent.
	lead  Notice
	alarm AlarmNotice
	failure
	// unheard is set while the first call of the occurrence waits as well.
	unheard bool
}

// news picks what is to be told of what was claimed: of each thread only the
// newest, unless something newer was told or the notice was given up. The end
// of what a person was never told of becomes an Over. What the outbox told
// before is not known here, so only a first call that waits was never told.
func (u *Unrecorded) news(claimed []Notice, now time.Time) []untold {
	u.mu.Lock()
	defer u.mu.Unlock()
	at := map[thread]int{}
	var list []untold
	for _, n := range claimed {
		next := untold{lead: n, failure: u.failed[n.Key]}
		if err := json.Unmarshal(n.Payload, &next.alarm); err != nil {
			u.giveUp(n, now, "notice cannot be read", "error", err)
			continue
		}
		th := next.thread()
		if u.channels.all()[n.Channel] == nil {
			u.giveUp(n, now, "the channel of a notice is not configured")
			continue
		}
		if told, ok := u.told[th]; ok && told.sequence >= next.alarm.Sequence {
			continue
		}
		i, known := at[th]
		if !known {
			i = len(list)
			at[th] = i
			list = append(list, untold{})
		}
		unheard := list[i].unheard || next.alarm.Sequence <= firstSequence
		if !known || next.alarm.Sequence > list[i].alarm.Sequence {
			list[i] = next
		}
		list[i].unheard = unheard
	}
	for i := range list {
		if list[i].alarm.Kind == Cleared && list[i].unheard {
			list[i].alarm.Kind = Over
		}
	}
	return slices.DeleteFunc(list, func(n untold) bool { return n.final })
}

func (n untold) thread() thread {
	return thread{n.alarm.occurrenceName(), n.lead.Channel, n.lead.Recipient}
}

// giveUp leaves a notice to the outbox, and says so once.
func (u *Unrecorded) giveUp(n Notice, now time.Time, why string, args ...any) {
	if u.failed[n.Key].final {
		return
	}
	u.failed[n.Key] = failure{due: now, final: true}
	u.logger.Error(why, append(args, "notice", n.Key, "channel", n.Channel, "recipient", n.Recipient)...)
}

func (u *Unrecorded) fail(key string, f failure) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.failed[key] = f
}

func (u *Unrecorded) note(n untold, now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	delete(u.failed, n.lead.Key)
	u.told[n.thread()] = telling{n.alarm.Sequence, now}
}

// forget drops what is too old to matter.
func (u *Unrecorded) forget(now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for key, f := range u.failed {
		if now.Sub(f.due) > usefulFor {
			delete(u.failed, key)
		}
	}
	for th, told := range u.told {
		if now.Sub(told.at) > usefulFor {
			delete(u.told, th)
		}
	}
}
