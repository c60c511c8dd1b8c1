package notify

import (
	"context"
	"encoding/json"
	"slices"
	"sync"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify/circuit"
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
	options  Options
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
	if o.Circuits == nil {
		o.Circuits = circuit.New()
	}
	u := &Unrecorded{
		waiting: waiting, options: o,
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

// dispatch starts an attempt for every free lane that has a waiting notice
// due, gives all others back, and returns how long to wait for the next.
func (u *Unrecorded) dispatch(_ context.Context, l *lanes) time.Duration {
	now := u.options.Now()
	u.forget(now)
	claimed := u.waiting.Claim(now)
	news := u.news(claimed, now)
	slices.SortStableFunc(news, func(a, b untold) int { return mostUrgent(a.collapsed, b.collapsed) })
	pause := idlePoll
	started := map[string]bool{}
	for i := range news {
		if started[news[i].lead.Key] {
			continue
		}
		of := news[i].lane()
		due, most := later(news[i].due, l.pace(of, news[i].alarm.Priority)), atOnce
		if u.options.Circuits.Open(of.channel) {
			due, most = later(due, u.options.Circuits.Probe(of.channel, longestPause(news[i].alarm.Priority), news[i].attempts == 0, now)), 1
		}
		list := together(news[i:], now)
		wait, ok := l.try(of, due, now, most, func(ctx context.Context) result { return u.attempt(ctx, of, list) })
		pause = min(pause, wait)
		for j := range list {
			started[list[j].lead.Key] = ok
		}
	}
	for _, n := range claimed {
		if !started[n.Key] {
			u.waiting.Release(n.Key, time.Time{})
		}
	}
	return pause
}

// together is what is told with the first of a list: all that is due in its
// lane when that is more than a handful, otherwise it alone.
func together(list []untold, now time.Time) []untold {
	var same []untold
	for i := range list {
		if list[i].lane() == list[0].lane() && !list[i].due.After(now) {
			same = append(same, list[i])
		}
	}
	if len(same) <= handful {
		return list[:1:1]
	}
	return same
}

// attempt makes one attempt and releases the claims.
func (u *Unrecorded) attempt(ctx context.Context, of lane, list []untold) result {
	messages := make([]collapsed, len(list))
	for i := range list {
		messages[i] = list[i].collapsed
	}
	err := transmit(ctx, u.channels.all()[of.channel], u.options.composeAll(messages, notRecorded))
	now := u.options.Now()
	about := u.options.Logger.With("notice", list[0].lead.Key, "alarms", len(list), "channel", of.channel, "recipient", of.recipient)
	u.options.heed(of.channel, now, err)
	if err == nil {
		about.Info("notice delivered before it could be recorded", "kind", list[0].alarm.Kind)
		for i := range list {
			u.note(list[i], now)
			u.waiting.Release(list[i].lead.Key, now)
		}
		return result{lane: of, sentAt: now, critical: list[0].alarm.Priority >= alerts.Critical}
	}
	for i := range list {
		n := &list[i]
		f := failure{attempts: n.attempts + 1, due: now}
		switch {
		case IsPermanent(err):
			f.final = true
			about.Error("notice refused; it is not recorded yet", "error", err)
		case now.Sub(n.lead.CreatedAt) > usefulFor(&n.alarm):
			f.final = true
			about.Error("notice given up; it is not recorded yet", "error", err)
		default:
			after := again(err, f.attempts, u.options.Random(), n.alarm.Priority)
			f.due = now.Add(after)
			about.Warn("notice neither delivered nor recorded yet", "again_in", after, "error", err)
		}
		u.fail(n.lead.Key, f)
		u.waiting.Release(n.lead.Key, time.Time{})
	}
	return result{lane: of}
}

// notRecorded is what people are told besides, for they will look for the
// alarm on its page.
const notRecorded = "This message is not in the records yet, since they cannot be written."

// untold is what is to be said of one thread, however many notices wait.
type untold struct {
	// The lead is the newest of the thread; it is the one that is sent.
	collapsed
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
		next := untold{collapsed: collapsed{lead: n}, failure: u.failed[n.Key]}
		next.lead.Attempts = next.attempts
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
	return thread{n.alarm.OccurrenceName(), n.lead.Channel, n.lead.Recipient}
}

func (n untold) lane() lane { return lane{n.lead.Channel, n.lead.Recipient} }

// giveUp leaves a notice to the outbox, and says so once.
func (u *Unrecorded) giveUp(n Notice, now time.Time, why string, args ...any) {
	if u.failed[n.Key].final {
		return
	}
	u.failed[n.Key] = failure{due: now, final: true}
	u.options.Logger.Error(why, append(args, "notice", n.Key, "channel", n.Channel, "recipient", n.Recipient)...)
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
		if now.Sub(f.due) > longestUseful {
			delete(u.failed, key)
		}
	}
	for th, told := range u.told {
		if now.Sub(told.at) > longestUseful {
			delete(u.told, th)
		}
	}
}
