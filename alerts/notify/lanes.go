package notify

import (
	"context"
	"time"

	"rearguard/alerts"
)

const (
	// attemptLimit bounds one attempt of any channel.
	attemptLimit = 30 * time.Second
	// stopGrace is how long an attempt may go on after its worker is told to
	// stop: cutting it short could send the same notice twice.
	stopGrace = 5 * time.Second
	// idlePoll is how often to look for notices without a wake-up.
	idlePoll = time.Minute
	// LongestPause is longer than any pause between attempts. What is due later
	// was made due by a clock that was ahead.
	LongestPause = retryAfterCap + idlePoll
	// atOnce bounds the attempts of one channel under way, so that one person
	// whose server hangs does not delay the others.
	atOnce = 4
)

// A person who has been sent handful messages by a channel within paceWindow
// gets the next one after pacePause only, with all that has gathered until
// then. What is critical waits only behind a handful of critical ones, and not
// for long.
const (
	handful       = 5
	paceWindow    = 5 * time.Minute
	pacePause     = time.Minute
	criticalPause = 20 * time.Second
)

// lane is the way to one person by one channel.
type lane struct{ channel, recipient string }

// lanes keep people and channels apart: each lane has at most one attempt
// under way and each channel a few, so that a dead one delays no other. They
// belong to the goroutine of runLanes.
type lanes struct {
	busy map[lane]bool
	// using counts the attempts of a channel under way.
	using map[string]int
	// rests says until when a channel must not be used.
	rests map[string]time.Time
	// sent are the times of the newest messages of a lane, oldest first, critical
	// those of critical ones.
	sent, critical map[lane][]time.Time
	// looked says when it was last looked for what another channel can tell.
	looked map[lane]look
	start  func(attempt func(context.Context) result)
}

// look is when it was looked for what another channel can tell, and the newest
// notice then.
type look struct {
	newest int64
	at     time.Time
}

// differs reports whether looking again may find something else.
func (k look) differs(now look) bool {
	return k.newest != now.newest || now.at.Sub(k.at).Abs() >= idlePoll
}

// result is what an attempt says about its lane.
type result struct {
	lane lane
	// sentAt is when a message was taken, zero when none was; critical is set when
	// it was that.
	sentAt   time.Time
	critical bool
	// restUntil is set when the channel must not be used for a while.
	restUntil time.Time
}

// runLanes calls dispatch, which starts attempts, at once, at every wake-up,
// after every attempt and when the pause that it returned is over. When ctx
// ends it waits for the attempts under way and returns.
func runLanes(ctx context.Context, wake <-chan struct{}, dispatch func(context.Context, *lanes) time.Duration) {
	// Attempts outlive ctx by the grace.
	attempts, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	done := make(chan result)
	l := newLanes(func(attempt func(context.Context) result) { go func() { done <- attempt(attempts) }() })
	for ctx.Err() == nil {
		timer := time.NewTimer(dispatch(ctx, l))
		select {
		case <-ctx.Done():
		case <-wake:
		case <-timer.C:
		case r := <-done:
			l.end(r)
		}
		timer.Stop()
	}
	grace := time.AfterFunc(stopGrace, cancel)
	defer grace.Stop()
	for range l.busy {
		<-done
	}
}

// inTurn is runLanes without goroutines, for whoever decides the order of
// events: each call does what is due, one attempt after the other, and returns
// how long to wait for the next.
func inTurn(dispatch func(context.Context, *lanes) time.Duration) func(context.Context) time.Duration {
	var started []func(context.Context) result
	l := newLanes(func(attempt func(context.Context) result) { started = append(started, attempt) })
	return func(ctx context.Context) time.Duration {
		for {
			pause := dispatch(ctx, l)
			if len(started) == 0 {
				return pause
			}
			for _, attempt := range started {
				l.end(attempt(ctx))
			}
			started = started[:0]
		}
	}
}

func newLanes(start func(attempt func(context.Context) result)) *lanes {
	return &lanes{
		busy: map[lane]bool{}, using: map[string]int{}, rests: map[string]time.Time{}, sent: map[lane][]time.Time{}, critical: map[lane][]time.Time{}, looked: map[lane]look{}, start: start,
	}
}

// end frees the lane of an attempt that is over.
func (l *lanes) end(r result) {
	delete(l.busy, r.lane)
	l.using[r.lane.channel]--
	l.rests[r.lane.channel] = r.restUntil
	note := func(sent map[lane][]time.Time) {
		sent[r.lane] = append(sent[r.lane], r.sentAt)
		sent[r.lane] = sent[r.lane][max(0, len(sent[r.lane])-handful):]
	}
	if !r.sentAt.IsZero() {
		note(l.sent)
	}
	if r.critical {
		note(l.critical)
	}
}

// pace is the earliest time for the next message of a lane.
func (l *lanes) pace(of lane, urgency alerts.Priority) time.Time {
	times, pause := l.sent[of], pacePause
	if urgency >= alerts.Critical {
		times, pause = l.critical[of], criticalPause
	}
	if len(times) < handful || times[len(times)-1].Sub(times[0]) > paceWindow {
		return time.Time{}
	}
	return times[len(times)-1].Add(pause)
}

// try starts the attempt if it is due, its lane free, and fewer than most of its
// channel are under way, and says whether it did. If the attempt must wait for its time, wait is how long; otherwise, and
// when the end of another attempt is waited for, it is idlePoll.
func (l *lanes) try(of lane, due, now time.Time, most int, attempt func(context.Context) result) (wait time.Duration, started bool) {
	due = dueBy(later(due, l.rests[of.channel]), now)
	switch {
	case l.busy[of] || l.using[of.channel] >= most:
		return idlePoll, false
	case due.After(now):
		return min(idlePoll, due.Sub(now)), false
	}
	l.busy[of] = true
	l.using[of.channel]++
	l.start(attempt)
	return idlePoll, true
}

// dueBy is when something is due by a clock that says now: at once if a clock
// that was ahead made it due.
func dueBy(due, now time.Time) time.Time {
	if due.Sub(now) > LongestPause {
		return now
	}
	return due
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// transmit makes one attempt at a channel.
func transmit(ctx context.Context, channel Channel, m Message) error {
	limited, cancel := context.WithTimeout(ctx, attemptLimit)
	defer cancel()
	return channel.Send(limited, m)
}

// wakeUp is a wake-up that is not lost while nobody waits, and never blocks.
func wakeUp(wake chan<- struct{}) {
	select {
	case wake <- struct{}{}:
	default:
	}
}
