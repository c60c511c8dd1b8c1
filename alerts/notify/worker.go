package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

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
	// Round, if set, is called whenever the outbox has been looked through,
	// and told whether something that is due must wait for its turn.
	Round func(waits bool)
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
	// well are channels that have not failed since they last took something.
	well map[string]bool
}

// NewWorker builds a worker; Run makes it work.
func NewWorker(outbox Outbox, channels map[string]Channel, o Options) *Worker {
	w := &Worker{
		outbox: outbox, options: o,
		wake: make(chan struct{}, 1), sent: map[int64]time.Time{}, well: map[string]bool{},
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
		due := q.Due
		if held := l.pace(of, q.Priority); held.After(due) {
			due = held
		}
		wait, started := l.try(of, due, now, func(ctx context.Context) result { return w.attempt(ctx, of) })
		pause = min(pause, wait)
		waits = waits || !started && !l.busy[of] && !due.After(now)
	}
	if w.options.Round != nil {
		w.options.Round(waits)
	}
	return pause
}

// attempt says what there is to say to one person by one channel.
func (w *Worker) attempt(ctx context.Context, of lane) result {
	r := result{lane: of}
	sent, err := w.deliver(ctx, of)
	if err != nil {
		w.options.Logger.Error("outbox cannot be changed", "channel", of.channel, "recipient", of.recipient, "error", err)
		r.restUntil = w.options.Now().Add(storePause)
	}
	if sent {
		r.sentAt = w.options.Now()
	}
	return r
}

// deliver returns errors of the outbox only; what a channel says is noted in
// the outbox. It says whether a message was taken.
func (w *Worker) deliver(ctx context.Context, of lane) (sent bool, err error) {
	// Only the sending itself may be cut short; what came of it must be noted.
	sending := ctx
	ctx = context.WithoutCancel(ctx)
	rows, err := w.outbox.PendingNotices(ctx, of.channel, of.recipient, mostTogether)
	if err != nil {
		return false, fmt.Errorf("read notices to %s by %s: %w", of.recipient, of.channel, err)
	}
	ready, err := w.ready(ctx, rows)
	if err != nil || len(ready) == 0 {
		return false, err
	}
	ready = inOne(ready)
	channel, ok := w.channels.all()[of.channel]
	if !ok {
		return false, w.note(ctx, of, ready, Permanent(fmt.Errorf("channel %q is not configured", of.channel)))
	}
	err = transmit(sending, channel, w.options.composeAll(ready))
	return err == nil, w.note(ctx, of, ready, err)
}

// ready is what is to be told now of the pending notices of one lane, one for
// each occurrence, the most urgent first.
func (w *Worker) ready(ctx context.Context, rows []Notice) ([]collapsed, error) {
	var list []collapsed
	seen := map[int64]bool{}
	for _, row := range rows {
		if seen[row.Occurrence] {
			continue
		}
		seen[row.Occurrence] = true
		c, due, err := w.newest(ctx, row)
		if err != nil {
			return nil, err
		}
		if due {
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, mostUrgent)
	return list, nil
}

// newest is the newest news of the occurrence of a row, once older ones are
// withdrawn. It says whether it is to be told now.
func (w *Worker) newest(ctx context.Context, row Notice) (c collapsed, due bool, err error) {
	if at, ok := w.unmarked(row.ID); ok {
		return c, false, w.markDelivered(ctx, at, row.ID)
	}
	siblings, err := w.outbox.Notices(ctx, row.Occurrence)
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
	// Otherwise the newest waits for its own next attempt.
	now := w.options.Now()
	return c, !dueBy(c.lead.DueAt, now).After(now), nil
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
		if err := w.outbox.MarkSuperseded(ctx, n.ID, w.options.Now(), newer.ID); err != nil {
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
		return w.recovered(ctx, of.channel)
	}
	if !IsPermanent(err) {
		w.mu.Lock()
		delete(w.well, of.channel)
		w.mu.Unlock()
	}
	var late []collapsed
	for i := range list {
		c := &list[i]
		if age := now.Sub(c.lead.CreatedAt); age > lastsFor(&c.alarm) {
			about.Error("notice given up", "age", age, "error", err)
			if err := w.outbox.MarkDead(ctx, c.lead.ID, now, fmt.Sprintf("given up after %s: %v", wording.Reader{}.Exactly(age), err)); err != nil {
				return err
			}
			continue
		}
		if IsPermanent(err) {
			handed, err := w.handOn(ctx, c, err)
			if err != nil {
				return err
			}
			if handed {
				continue
			}
		}
		late = append(late, *c)
	}
	if len(late) == 0 {
		return nil
	}
	after := again(err, late[0].lead.Attempts+1, w.options.Random(), late[0].lead.Priority)
	about.Warn("notice not delivered yet", "again_in", after, "error", err)
	return w.outbox.MarkRetry(ctx, now.Add(after), err.Error(), ids(late)...)
}

// recovered hurries what failed on a channel that works again.
func (w *Worker) recovered(ctx context.Context, channel string) error {
	w.mu.Lock()
	well := w.well[channel]
	w.well[channel] = true
	w.mu.Unlock()
	if well {
		return nil
	}
	return w.outbox.Hurry(ctx, channel, w.options.Now(), backoffCap)
}

// handOn brings news that a channel has refused for good to the next channel
// of its person that has not had it. It gives the notice up where another
// channel has the news; where none has, the notice stays, since a mailbox or
// an address can be mended.
func (w *Worker) handOn(ctx context.Context, c *collapsed, refused error) (handed bool, err error) {
	if c.alarm.Kind == Test {
		// That this channel does not reach the person is what was to be found out.
		return true, w.outbox.MarkDead(ctx, c.lead.ID, w.options.Now(), refused.Error())
	}
	elsewhere := map[string]State{}
	for _, s := range c.siblings {
		var other AlarmNotice
		if s.Recipient == c.lead.Recipient && json.Unmarshal(s.Payload, &other) == nil && other.Sequence == c.alarm.Sequence {
			elsewhere[s.Channel] = s.State
		}
	}
	about := w.options.Logger.With("notice", c.lead.ID, "channel", c.lead.Channel, "recipient", c.lead.Recipient)
	reason := refused.Error()
	handed = slices.ContainsFunc(c.siblings, func(s Notice) bool {
		state := elsewhere[s.Channel]
		return s.Channel != c.lead.Channel && (state == Pending || state == Delivered)
	})
	var channels []string
	if w.options.Roster != nil {
		channels = w.options.Roster().Channels(c.lead.Recipient)
	}
	for _, channel := range channels {
		if _, had := elsewhere[channel]; handed || had || channel == c.lead.Channel || w.channels.all()[channel] == nil {
			continue
		}
		next := c.lead
		next.Key, next.Channel, next.DueAt = keyOf(&c.alarm, next.Recipient, channel), channel, w.options.Now()
		next.ID, next.Attempts, next.LastError = 0, 0, ""
		if err := w.outbox.AddNotice(ctx, next); err != nil {
			return false, fmt.Errorf("hand notice %d on to %s: %w", c.lead.ID, channel, err)
		}
		reason += "; handed on to " + channel
		handed = true
		w.Wake()
	}
	if !handed {
		about.Error("notice refused and no other channel to this person has it; it will be tried again", "error", refused)
		return false, nil
	}
	about.Error("notice refused", "error", reason)
	return true, w.outbox.MarkDead(ctx, c.lead.ID, w.options.Now(), reason)
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
