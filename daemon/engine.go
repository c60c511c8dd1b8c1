package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"rearguard/daemon/facility"
	"rearguard/daemon/rearing"
	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// batchLimit is the most messages handled before a commit. It is well below
// the number a broker lets be under way, so that while one batch goes to disk
// the next is handled and a third arrives.
const batchLimit = 256

// Options are what an engine is built from.
type Options struct {
	Facility *facility.Facility
	Catalog  *rearing.Catalog
	Store    *records.Store
	Logger   *slog.Logger
	// Now is the time at which the engine starts.
	Now time.Time
	// Invented marks the data as a made-up scenario on every page.
	Invented bool
	// NoticesDue is called, if set, after a commit that holds new notices.
	NoticesDue func()
	// Evaluated is called, if set, with the readings of a batch once alarms
	// have been evaluated with them; Committed with the number of messages
	// acknowledged after a commit. Both must be quick and keep nothing.
	Evaluated func([]sensors.Reading)
	Committed func(messages int)
	// ForecastEvery is how much event time passes between forecasts; ten
	// minutes if zero.
	ForecastEvery time.Duration
	// Ask is called, if set, with what is to be published to sensors that must
	// be asked for something. It must not wait.
	Ask func(payload.Request)
}

// Sources are the streams of events an engine runs on. Closing Messages ends
// the run.
type Sources struct {
	Messages <-chan sensors.Message
	// Ticks carry the time; one or more a second.
	Ticks <-chan time.Time
	// Links carry changes of the broker link.
	Links <-chan LinkView
	// Oversize carries messages the link refused for their size.
	Oversize <-chan RejectedMessage
	// Notices carry what became of notices, whenever that changes.
	Notices <-chan NoticeState
}

// NoticeState counts notices by what became of them.
type NoticeState struct {
	Totals  []NoticeTotal
	Pending int
	// Trouble is what stands in the way of delivery.
	Trouble DeliveryTrouble
}

// Equal reports whether s says the same as other.
func (s NoticeState) Equal(other NoticeState) bool {
	return s.Pending == other.Pending && !s.Trouble.differs(other.Trouble) && slices.Equal(s.Totals, other.Totals)
}

// Engine runs the core on live events: it owns the goroutine, the commits and
// the acknowledgements.
type Engine struct {
	opts     Options
	core     *core
	commands chan commandCall
	snapshot atomic.Pointer[Snapshot]
	changed  chan struct{}
	ended    chan struct{}
	mu       sync.Mutex
	// lastTick is the last tick as it came, ahead by how much the engine's
	// clock is before the machine's.
	lastTick time.Time
	ahead    time.Duration
	commit   *committer
}

type commandCall struct {
	command Command
	done    chan error
}

// New restores the engine's state from the records as it was after the last
// commit, and publishes a first snapshot.
func New(ctx context.Context, opts Options) (*Engine, error) {
	claimed, err := claimsSinceCheckpoint(ctx, opts.Store)
	if err != nil {
		return nil, fmt.Errorf("restore state from %s: %w", opts.Store.Path(), err)
	}
	c, err := newCore(coreOptions{
		facility: opts.Facility, catalog: opts.Catalog, logger: opts.Logger,
		invented: opts.Invented, forecastEvery: opts.ForecastEvery, claimedLater: claimed,
	})
	if err != nil {
		return nil, err
	}
	e := &Engine{
		opts: opts, core: c,
		commands: make(chan commandCall),
		changed:  make(chan struct{}),
		ended:    make(chan struct{}),
		commit:   newCommitter(opts.Store, opts.Logger),
	}
	go e.commit.run(ctx)
	c.history = readerHistory{ctx: ctx, reader: opts.Store.Reader, settle: e.storeReadings, marks: true}
	if err := e.begin(ctx); err != nil {
		return nil, errors.Join(err, e.commit.stop())
	}
	e.publish()
	return e, nil
}

// begin takes up the work where the records left it.
func (e *Engine) begin(ctx context.Context) error {
	if err := e.restore(ctx); err != nil {
		return fmt.Errorf("restore state from %s: %w", e.opts.Store.Path(), err)
	}
	if err := e.core.journal(resumeEvent{At: e.opts.Now, From: e.core.clock}); err != nil {
		return err
	}
	if err := e.core.noteLimits(e.opts.Now); err != nil {
		return err
	}
	return e.store(nil)
}

// Snapshot returns the newest published state, with what stands in the way of
// writing the records now.
func (e *Engine) Snapshot() *Snapshot {
	s := e.snapshot.Load()
	problem := e.commit.problem.Load()
	if problem == nil {
		return s
	}
	withProblem := *s
	withProblem.Store.OK, withProblem.Store.Problem = false, *problem
	return &withProblem
}

// Changed returns a channel that is closed when a newer snapshot is published.
func (e *Engine) Changed() <-chan struct{} {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.changed
}

// ErrStopped is returned for commands given to an engine that has ended.
var ErrStopped = errors.New("the engine has stopped")

// Do carries out a command and returns once it is committed.
func (e *Engine) Do(ctx context.Context, command Command) error {
	call := commandCall{command: command, done: make(chan error, 1)}
	select {
	case e.commands <- call:
	case <-ctx.Done():
		return ctx.Err()
	case <-e.ended:
		return ErrStopped
	}
	select {
	case err := <-call.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-e.ended:
		return ErrStopped
	}
}

// Discard ends an engine that will not be run.
func (e *Engine) Discard() error {
	close(e.ended)
	return e.commit.stop()
}

// Run handles events until the context ends or the messages do. It returns an
// error only when the records can no longer be written.
func (e *Engine) Run(ctx context.Context, in Sources) (err error) {
	defer close(e.ended)
	defer func() { err = errors.Join(err, e.commit.stop()) }()
	for {
		select {
		case <-ctx.Done():
			return e.finish()
		case m, open := <-in.Messages:
			if !open {
				return e.finish()
			}
			err = e.handleMessages(m, in.Messages)
		case now := <-in.Ticks:
			err = e.handleTick(now)
		case link := <-in.Links:
			err = e.handleLink(link)
		case m := <-in.Oversize:
			e.core.noteOversize(m)
		case state := <-in.Notices:
			e.core.notified = state
			err = e.noteHouse(e.core.clock)
		case call := <-e.commands:
			call.done <- e.handleCommand(call.command)
		}
		if err != nil {
			return err
		}
	}
}

// handleMessages takes the first message and whatever else is already there.
func (e *Engine) handleMessages(first sensors.Message, more <-chan sensors.Message) error {
	acks := make([]func(), 0, 64)
	take := func(m sensors.Message) {
		e.core.admit(m)
		acks = append(acks, m.Ack)
	}
	take(first)
drain:
	for len(acks) < batchLimit {
		select {
		case m, open := <-more:
			if !open {
				break drain
			}
			take(m)
		default:
			break drain
		}
	}
	if err := e.core.handlePending(); err != nil {
		return err
	}
	e.ask()
	if e.opts.Evaluated != nil {
		e.opts.Evaluated(e.core.out.Readings)
	}
	return e.store(acks)
}

func (e *Engine) handleTick(now time.Time) error {
	if err := e.core.advanceTo(e.forward(now)); err != nil {
		return err
	}
	e.core.converse(now)
	e.ask()
	if err := e.noteHouse(e.core.clock); err != nil {
		return err
	}
	if err := e.store(nil); err != nil {
		return err
	}
	e.publish()
	return nil
}

// noteHouse takes note of how the records and the delivery of notices stand.
func (e *Engine) noteHouse(now time.Time) error {
	event := houseEvent{Store: e.core.watch.house.Store, Delivery: e.core.notified.Trouble}
	problem := e.commit.problem.Load()
	switch {
	case problem == nil:
		event.Store = PartTrouble{}
	case event.Store.Problem == "":
		event.Store = PartTrouble{Since: now, Problem: *problem}
	}
	return e.core.noteHouse(event)
}

// forward is the time a tick stands for. When the clock of the machine is set
// back, the engine's own goes on from where it was at the same pace, until the
// machine's has caught up: the order of what is recorded must hold, and no
// delay of an alarm may stand still for as long as the clock was wrong.
func (e *Engine) forward(now time.Time) time.Time {
	if now.Before(e.lastTick) {
		e.ahead += e.lastTick.Sub(now)
	}
	e.lastTick = now
	if now.After(e.core.clock) {
		e.ahead = 0
	}
	return later(now.Add(e.ahead), e.core.clock)
}

func (e *Engine) handleLink(link LinkView) error {
	if link.Subscribed && !e.core.link.Subscribed {
		e.core.missed()
	}
	if err := e.core.journal(linkEvent{link}); err != nil {
		return err
	}
	e.ask()
	e.publish()
	return e.store(nil)
}

// ask hands on what is to be published to sensors.
func (e *Engine) ask() {
	for _, request := range e.core.takeRequests() {
		if e.opts.Ask != nil {
			e.opts.Ask(request)
		}
	}
}

// handleCommand carries out a command. A refusal is the caller's and not an
// error of the run.
func (e *Engine) handleCommand(command Command) error {
	if err := e.store(nil); err != nil {
		return err
	}
	if err := e.commit.flush(); err != nil {
		return err
	}
	if err := e.core.journal(command); err != nil {
		return err
	}
	if err := e.store(nil); err != nil {
		return err
	}
	if err := e.commit.flush(); err != nil {
		return err
	}
	e.publish()
	return nil
}

// store hands what the core has gathered to the committer, which acknowledges
// the messages once it is on disk.
func (e *Engine) store(acks []func()) error {
	batch, err := e.core.takeBatch()
	if err != nil {
		return err
	}
	if batch == nil && len(acks) == 0 {
		return nil
	}
	notices := batch != nil && len(batch.Outbox) > 0
	return e.commit.submit(batch, func() {
		for _, ack := range acks {
			ack()
		}
		if len(acks) > 0 && e.opts.Committed != nil {
			e.opts.Committed(len(acks))
		}
		if notices && e.opts.NoticesDue != nil {
			e.opts.NoticesDue()
		}
	})
}

// storeReadings brings the readings handled so far to disk in the middle of an
// event, when the past has to be read. The clock in the records stays where it
// was, so that after a crash the event is handled again from its beginning.
func (e *Engine) storeReadings() error {
	out := e.core.out
	early := &records.Batch{Readings: out.Readings, Reflags: out.Reflags, Revalues: out.Revalues}
	out.Readings, out.Reflags, out.Revalues = nil, nil, nil
	if len(early.Readings)+len(early.Reflags)+len(early.Revalues) > 0 {
		if err := e.commit.submit(early, func() {}); err != nil {
			return err
		}
	}
	return e.commit.flush()
}

// finish stores what is left.
func (e *Engine) finish() error {
	if err := e.store(nil); err != nil {
		return err
	}
	if err := e.commit.flush(); err != nil {
		return err
	}
	e.publish()
	return nil
}

func (e *Engine) publish() {
	s := e.core.view()
	s.Store = StoreView{Path: e.opts.Store.Path(), OK: true}
	e.snapshot.Store(s)
	e.mu.Lock()
	close(e.changed)
	e.changed = make(chan struct{})
	e.mu.Unlock()
}
