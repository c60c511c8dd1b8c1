package notify

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify/circuit"
	"rearguard/alerts/roster"
	"rearguard/alerts/wording"
)

const (
	// storePause is how long a channel rests when the outbox fails.
	storePause = 5 * time.Second
	// mostTogether bounds the notices to one person that are looked at, and
	// told, at a time.
	mostTogether = 512
)

// Options are what a Worker or Unrecorded is given beside its notices and
// channels.
type Options struct {
	// Now is the clock that due times are compared with.
	Now func() time.Time
	// Random returns numbers from 0 to 1 for the jitter.
	Random func() float64
	Logger *slog.Logger
	// Roster, if set, says which other channels there are to a person when one
	// refuses a notice.
	Roster func() *roster.Roster
	// Answer, if set, gives the address at which the recipient of a notice can
	// answer it without a password, empty for none.
	Answer func(n Notice, a AlarmNotice, now time.Time) string
	// Circuits know which channels work; nil for a board of one's own. Whoever
	// uses the same channels shares it.
	Circuits *circuit.Board
	// Round, if set, is called whenever the outbox has been looked through,
	// and told whether something that is due must wait for its turn.
	Round func(waits bool)
}

// heed notes how a channel did in an attempt, and says whether it works again, or
// for the first time.
func (o *Options) heed(channel string, now time.Time, err error) (recovered bool) {
	if err == nil {
		return o.Circuits.Took(channel)
	}
	if !IsPermanent(err) && !ofRecipient(err) {
		o.Circuits.Failed(channel, now, err.Error())
	}
	return false
}

// Worker delivers the notices of an outbox: to each person by each channel one
// after the other, the most urgent first, and what has piled up in one message.
type Worker struct {
	outbox   Outbox
	channels channelList
	options  Options
	wake     chan struct{}

	mu sync.Mutex
	// sent are notices that a channel took and the outbox could not mark;
	// they are marked later and not sent again.
	sent map[int64]time.Time
}

// NewWorker builds a worker; Run makes it work.
func NewWorker(outbox Outbox, channels map[string]Channel, o Options) *Worker {
	if o.Circuits == nil {
		o.Circuits = circuit.New()
	}
	w := &Worker{outbox: outbox, options: o, wake: make(chan struct{}, 1), sent: map[int64]time.Time{}}
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

// dispatch starts an attempt for every free lane that has a notice due, and
// returns how long to wait for the next.
func (w *Worker) dispatch(ctx context.Context, l *lanes) time.Duration {
	now := w.options.Now()
	queues, err := w.outbox.Queues(ctx, now)
	if err != nil {
		if ctx.Err() == nil {
			w.options.Logger.Error("outbox cannot be read", "error", err)
		}
		return storePause
	}
	// Of two that are as urgent, what has not been tried yet goes first.
	slices.SortStableFunc(queues, func(a, b Queue) int {
		return cmp.Or(cmp.Compare(b.Priority, a.Priority), cmp.Compare(a.Attempts, b.Attempts), a.Due.Compare(b.Due))
	})
	pause, waits := idlePoll, false
	for _, q := range queues {
		of := lane{q.Channel, q.Recipient}
		t := w.turn(l, &q, now)
		wait, started := l.try(of, t.due, now, t.most, func(ctx context.Context) result { return w.attempt(ctx, of, t.do) })
		if started && t.looks {
			l.looked[of] = look{q.Newest, now}
		}
		pause = min(pause, wait)
		waits = waits || !started && !l.busy[of] && !t.due.After(now)
	}
	if w.options.Round != nil {
		w.options.Round(waits)
	}
	return pause
}

// turn is what is to be done in a lane, from when on, and how many such turns of
// its channel may go on at once.
type turn struct {
	due  time.Time
	most int
	do   func(context.Context, lane) (alerts.Priority, error)
	// looks is set when it looks for what another channel can tell.
	looks bool
}

// turn is the next turn of a queue. A channel that is open gets one message now
// and then; what else there is for it goes another way, if there is one.
func (w *Worker) turn(l *lanes, q *Queue, now time.Time) turn {
	of := lane{q.Channel, q.Recipient}
	t := turn{due: later(q.Due, l.pace(of, q.Priority)), most: atOnce, do: w.deliver}
	if !w.options.Circuits.Open(q.Channel) {
		return t
	}
	probe := func(hasty bool) time.Time {
		return later(t.due, w.options.Circuits.Probe(q.Channel, longestPause(q.Priority), hasty, now))
	}
	switch due := probe(false); {
	case !due.After(now):
		t.due, t.most = due, 1
	case l.looked[of].differs(look{q.Newest, now}):
		t.due, t.do, t.looks = now, w.passAll, true
	default:
		t.due, t.most = probe(q.Attempts == 0 && q.Priority >= alerts.High), 1
	}
	return t
}

// attempt does what there is to do for one person by one channel.
func (w *Worker) attempt(ctx context.Context, of lane, do func(context.Context, lane) (alerts.Priority, error)) result {
	r := result{lane: of}
	sent, err := do(ctx, of)
	if err != nil {
		w.options.Logger.Error("outbox cannot be changed", "channel", of.channel, "recipient", of.recipient, "error", err)
		r.restUntil = w.options.Now().Add(storePause)
	}
	if sent > 0 {
		r.sentAt, r.critical = w.options.Now(), sent >= alerts.Critical
	}
	return r
}

// deliver returns errors of the outbox only; what a channel says is noted in
// the outbox. It says of which priority the message was that was taken, 0 for
// none.
func (w *Worker) deliver(ctx context.Context, of lane) (sent alerts.Priority, err error) {
	// Only the sending itself may be cut short; what came of it must be noted.
	sending := ctx
	ctx = context.WithoutCancel(ctx)
	ready, err := w.pending(ctx, of, true)
	if err != nil || len(ready) == 0 {
		return 0, err
	}
	ready = inOne(ready)
	channel, ok := w.channels.all()[of.channel]
	if !ok {
		return 0, w.note(ctx, of, ready, Permanent(fmt.Errorf("channel %q is not configured", of.channel)))
	}
	err = transmit(sending, channel, w.options.composeAll(ready))
	if err == nil {
		sent = ready[0].alarm.Priority
	}
	return sent, w.note(ctx, of, ready, err)
}

// pending is what is to be told of the pending notices of one lane, or only of
// those that are due: one for each occurrence, the most urgent first.
func (w *Worker) pending(ctx context.Context, of lane, onlyDue bool) ([]collapsed, error) {
	rows, err := w.outbox.PendingNotices(ctx, of.channel, of.recipient, mostTogether)
	if err != nil {
		return nil, fmt.Errorf("read notices to %s by %s: %w", of.recipient, of.channel, err)
	}
	var list []collapsed
	seen := map[int64]bool{}
	for _, row := range rows {
		if seen[row.Occurrence] {
			continue
		}
		seen[row.Occurrence] = true
		c, stands, err := w.newest(ctx, row)
		if err != nil {
			return nil, err
		}
		// Otherwise the newest waits for its own next attempt.
		now := w.options.Now()
		if stands && !(onlyDue && dueBy(c.lead.DueAt, now).After(now)) {
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, mostUrgent)
	return list, nil
}

// newest is the newest news of the occurrence of a row, once older ones are
// withdrawn. It says whether it is still to be told.
func (w *Worker) newest(ctx context.Context, row Notice) (c collapsed, stands bool, err error) {
	if at, ok := w.unmarked(row.ID); ok {
		return c, false, w.markDelivered(ctx, at, row.ID)
	}
	siblings, err := w.outbox.Notices(ctx, row.Occurrence, row.Recipient)
	if err != nil {
		return c, false, fmt.Errorf("read notices of alarm %d: %w", row.Occurrence, err)
	}
	c, err = collapse(row, siblings)
	if err != nil {
		return c, false, w.outbox.MarkDead(ctx, c.lead.ID, w.options.Now(), err.Error())
	}
	if at, ok := w.unmarked(c.lead.ID); ok {
		return c, false, w.markDelivered(ctx, at, c.lead.ID)
	}
	if c.newest.ID > c.lead.ID {
		// A newer one was told before it was in the outbox.
		return c, false, w.withdraw(ctx, append(c.older, c.lead), c.newest)
	}
	if err := w.withdraw(ctx, c.older, c.lead); err != nil {
		return c, false, err
	}
	if why := w.pointless(&c); why != "" {
		w.options.Logger.Info("notice withdrawn", "notice", c.lead.ID, "channel", c.lead.Channel, "recipient", c.lead.Recipient, "why", why)
		return c, false, w.outbox.MarkSuperseded(ctx, c.lead.ID, w.options.Now(), why)
	}
	return c, true, nil
}

// withdraw notes that the newer notice makes others stale.
func (w *Worker) withdraw(ctx context.Context, stale []Notice, newer Notice) error {
	for _, n := range stale {
		if at, ok := w.unmarked(n.ID); ok {
			if err := w.markDelivered(ctx, at, n.ID); err != nil {
				return err
			}
			continue
		}
		if err := w.outbox.MarkSuperseded(ctx, n.ID, w.options.Now(), fmt.Sprintf("told with notice %d", newer.ID)); err != nil {
			return fmt.Errorf("withdraw notice %d: %w", n.ID, err)
		}
	}
	return nil
}

// note notes what came of telling list: nil where it was taken.
func (w *Worker) note(ctx context.Context, of lane, list []collapsed, err error) error {
	now := w.options.Now()
	about := w.options.Logger.With("notice", list[0].lead.ID, "alarms", len(list), "channel", of.channel, "recipient", of.recipient)
	if err == nil {
		about.Info("notice delivered", "kind", list[0].alarm.Kind)
		if err := w.markDelivered(ctx, now, ids(list)...); err != nil {
			return err
		}
		if !w.options.heed(of.channel, now, nil) {
			return nil
		}
		// What failed on a channel that works again need not wait.
		return w.outbox.Hurry(ctx, of.channel, now, backoffCap)
	}
	w.options.heed(of.channel, now, err)
	var late []collapsed
	for i := range list {
		c := &list[i]
		if age := now.Sub(c.lead.CreatedAt); age > usefulFor(&c.alarm) {
			about.Error("notice given up", "age", age, "error", err)
			if err := w.outbox.MarkDead(ctx, c.lead.ID, now, fmt.Sprintf("given up after %s: %v", wording.Reader{}.Exactly(age), err)); err != nil {
				return err
			}
			continue
		}
		pass := w.pass
		if IsPermanent(err) {
			pass = w.handOn
		}
		passed, err := pass(ctx, c, err)
		if err != nil {
			return err
		}
		if !passed {
			late = append(late, *c)
		}
	}
	if len(late) == 0 {
		return nil
	}
	after := again(err, late[0].lead.Attempts+1, w.options.Random(), late[0].lead.Priority)
	about.Warn("notice not delivered yet", "again_in", after, "error", err)
	return w.outbox.MarkRetry(ctx, now.Add(after), err.Error(), ids(late)...)
}

func ids(list []collapsed) []int64 {
	out := make([]int64, len(list))
	for i := range list {
		out[i] = list[i].lead.ID
	}
	return out
}

func (w *Worker) unmarked(id int64) (time.Time, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	at, ok := w.sent[id]
	return at, ok
}

func (w *Worker) markDelivered(ctx context.Context, at time.Time, ids ...int64) error {
	err := w.outbox.MarkDelivered(ctx, at, ids...)
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, id := range ids {
		if err != nil {
			w.sent[id] = at
		} else {
			delete(w.sent, id)
		}
	}
	if err != nil {
		return fmt.Errorf("mark notices %v as delivered: %w", ids, err)
	}
	return nil
}
