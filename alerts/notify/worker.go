package notify

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"
)

const (
	// storePause is how long a channel rests when the outbox fails.
	storePause = 5 * time.Second
	firstPage  = 256
)

// Options are what a Worker or Unrecorded is given beside its notices and
// channels.
type Options struct {
	// Now is the clock that due times are compared with.
	Now func() time.Time
	// Random returns numbers from 0 to 1 for the jitter.
	Random func() float64
	Logger *slog.Logger
}

// Worker delivers the notices of an outbox. Every channel has its own pace: a
// dead one delays no other.
type Worker struct {
	outbox   Outbox
	channels channelList
	now      func() time.Time
	random   func() float64
	logger   *slog.Logger
	wake     chan struct{}

	mu sync.Mutex
	// sent are notices that a channel took and the outbox could not mark;
	// they are marked later and not sent again.
	sent map[int64]time.Time
}

// NewWorker builds a worker; Run makes it work.
func NewWorker(outbox Outbox, channels map[string]Channel, o Options) *Worker {
	w := &Worker{
		outbox: outbox, now: o.Now, random: o.Random, logger: o.Logger,
		wake: make(chan struct{}, 1), sent: map[int64]time.Time{},
	}
	w.channels.use(channels)
	return w
}

// Wake tells the worker that new notices were committed. It never blocks.
func (w *Worker) Wake() { wakeUp(w.wake) }

// Run delivers until ctx ends, then waits for the attempts under way and
// returns. It is called once.
func (w *Worker) Run(ctx context.Context) { runLanes(ctx, w.wake, w.dispatch) }

// InTurn returns what does the work of Run bit by bit in the goroutine of its
// caller: each call makes the attempts that are due and returns how long to
// wait for the next. It takes the place of Run.
func (w *Worker) InTurn() func(context.Context) time.Duration { return inTurn(w.dispatch) }

// dispatch starts an attempt for every idle channel that has a notice due,
// and returns how long to wait for the next.
func (w *Worker) dispatch(ctx context.Context, l *lanes) time.Duration {
	now := w.now()
	rows, err := w.pending(ctx, now)
	if err != nil {
		if ctx.Err() == nil {
			w.logger.Error("outbox cannot be read", "error", err)
		}
		return storePause
	}
	// A notice that has not been tried yet goes before those that failed.
	slices.SortStableFunc(rows, func(a, b Notice) int { return cmp.Compare(a.Attempts, b.Attempts) })
	pause := idlePoll
	for _, row := range rows {
		wait, _ := l.try(row.Channel, row.DueAt, now, func(ctx context.Context) result { return w.attempt(ctx, row) })
		pause = min(pause, wait)
	}
	return pause
}

// pending gives what is due until the next poll. The page grows while some
// channel could be hidden behind the many notices of another.
func (w *Worker) pending(ctx context.Context, now time.Time) ([]Notice, error) {
	for limit := firstPage; ; limit *= 4 {
		rows, err := w.outbox.DueNotices(ctx, now.Add(idlePoll), limit)
		if err != nil || len(rows) < limit {
			return rows, err
		}
		seen := map[string]bool{}
		for _, row := range rows {
			if !row.DueAt.After(now) {
				seen[row.Channel] = true
			}
		}
		if len(seen) >= len(w.channels.all()) {
			return rows, nil
		}
	}
}

// attempt says what there is to say about one occurrence to one person.
func (w *Worker) attempt(ctx context.Context, row Notice) result {
	r := result{channel: row.Channel}
	if err := w.deliver(ctx, row); err != nil {
		w.logger.Error("outbox cannot be changed", "notice", row.ID, "error", err)
		r.restUntil = w.now().Add(storePause)
	}
	return r
}

// deliver returns errors of the outbox only; what a channel says is noted in
// the outbox.
func (w *Worker) deliver(ctx context.Context, row Notice) error {
	// Only the sending itself may be cut short; what came of it must be noted.
	sending := ctx
	ctx = context.WithoutCancel(ctx)
	if at, ok := w.unmarked(row.ID); ok {
		return w.markDelivered(ctx, row.ID, at)
	}
	channel, ok := w.channels.all()[row.Channel]
	if !ok {
		return w.outbox.MarkDead(ctx, row.ID, w.now(), fmt.Sprintf("channel %q is not configured", row.Channel))
	}
	siblings, err := w.outbox.Notices(ctx, row.Occurrence)
	if err != nil {
		return fmt.Errorf("read notices of alarm %d: %w", row.Occurrence, err)
	}
	c, err := collapse(row, siblings)
	if err != nil {
		return w.outbox.MarkDead(ctx, c.lead.ID, w.now(), err.Error())
	}
	if at, ok := w.unmarked(c.lead.ID); ok {
		return w.markDelivered(ctx, c.lead.ID, at)
	}
	if c.newest.ID > c.lead.ID {
		// A newer one was told before it was in the outbox.
		return w.withdraw(ctx, append(c.older, c.lead), c.newest)
	}
	if err := w.withdraw(ctx, c.older, c.lead); err != nil {
		return err
	}
	if c.lead.DueAt.After(w.now()) {
		// The newest waits for its own next attempt.
		return nil
	}
	return w.send(sending, channel, c)
}

// withdraw notes that the newer notice makes others stale.
func (w *Worker) withdraw(ctx context.Context, stale []Notice, newer Notice) error {
	for _, n := range stale {
		if at, ok := w.unmarked(n.ID); ok {
			if err := w.markDelivered(ctx, n.ID, at); err != nil {
				return err
			}
			continue
		}
		if err := w.outbox.MarkSuperseded(ctx, n.ID, w.now(), newer.ID); err != nil {
			return fmt.Errorf("withdraw notice %d: %w", n.ID, err)
		}
	}
	return nil
}

func (w *Worker) send(sending context.Context, channel Channel, c collapsed) error {
	ctx := context.WithoutCancel(sending)
	err := transmit(sending, channel, compose(c.lead, c.alarm, w.now()))
	now := w.now()
	age := now.Sub(c.lead.CreatedAt)
	about := w.logger.With("notice", c.lead.ID, "channel", c.lead.Channel, "recipient", c.lead.Recipient)
	after, asked := retryAfter(err)
	switch {
	case err == nil:
		about.Info("notice delivered", "kind", c.alarm.Kind)
		return w.markDelivered(ctx, c.lead.ID, now)
	case IsPermanent(err):
		about.Error("notice refused", "error", err)
		return w.outbox.MarkDead(ctx, c.lead.ID, now, err.Error())
	case age > usefulFor:
		about.Error("notice given up", "age", age, "error", err)
		return w.outbox.MarkDead(ctx, c.lead.ID, now, fmt.Sprintf("given up after %s: %v", span(age), err))
	case !asked:
		after = backoff(c.lead.Attempts+1, w.random())
	}
	about.Warn("notice not delivered yet", "again_in", after, "error", err)
	return w.outbox.MarkRetry(ctx, c.lead.ID, now.Add(after), err.Error())
}

func (w *Worker) unmarked(id int64) (time.Time, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	at, ok := w.sent[id]
	return at, ok
}

func (w *Worker) markDelivered(ctx context.Context, id int64, at time.Time) error {
	err := w.outbox.MarkDelivered(ctx, id, at)
	w.mu.Lock()
	defer w.mu.Unlock()
	if err != nil {
		w.sent[id] = at
		return fmt.Errorf("mark notice %d as delivered: %w", id, err)
	}
	delete(w.sent, id)
	return nil
}
