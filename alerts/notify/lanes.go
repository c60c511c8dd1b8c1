package notify

import (
	"context"
	"time"
)

const (
	// attemptLimit bounds one attempt of any channel.
	attemptLimit = 30 * time.Second
	// stopGrace is how long an attempt may go on after its worker is told to
	// stop: cutting it short could send the same notice twice.
	stopGrace = 5 * time.Second
	// idlePoll is how often to look for notices without a wake-up.
	idlePoll = time.Minute
	// usefulFor is how long a notice is tried before it is given up.
	usefulFor = 72 * time.Hour
)

// lanes keep channels apart: each has at most one attempt under way, so that a
// dead one delays no other. They belong to the goroutine of runLanes.
type lanes struct {
	busy map[string]bool
	// rests says until when a channel must not be used.
	rests map[string]time.Time
	start func(attempt func(context.Context) result)
}

// result is what an attempt says about its channel.
type result struct {
	channel string
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
	l := &lanes{
		busy: map[string]bool{}, rests: map[string]time.Time{},
		start: func(attempt func(context.Context) result) { go func() { done <- attempt(attempts) }() },
	}
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

// end frees the channel of an attempt that is over.
func (l *lanes) end(r result) {
	delete(l.busy, r.channel)
	l.rests[r.channel] = r.restUntil
}

// inTurn is runLanes without goroutines, for whoever decides the order of
// events: each call does what is due, one attempt after the other, and returns
// how long to wait for the next.
func inTurn(dispatch func(context.Context, *lanes) time.Duration) func(context.Context) time.Duration {
	var started []func(context.Context) result
	l := &lanes{
		busy: map[string]bool{}, rests: map[string]time.Time{},
		start: func(attempt func(context.Context) result) { started = append(started, attempt) },
	}
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

// try starts the attempt if it is due and its channel free, and says whether
// it did. If the attempt must wait for its time, wait is how long; otherwise,
// and when the end of another attempt is waited for, it is idlePoll.
func (l *lanes) try(channel string, due, now time.Time, attempt func(context.Context) result) (wait time.Duration, started bool) {
	if rest := l.rests[channel]; rest.After(due) {
		due = rest
	}
	switch {
	case l.busy[channel]:
		return idlePoll, false
	case due.After(now):
		return min(idlePoll, due.Sub(now)), false
	}
	l.busy[channel] = true
	l.start(attempt)
	return idlePoll, true
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
