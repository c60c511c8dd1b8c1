package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"rearguard/daemon/fold"
	"rearguard/daemon/past"
	"rearguard/daemon/progress"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
)

// batchLimit is the most messages handled before their readings are handed to
// the committer.
const batchLimit = 256

// Options are what an engine is built from.
type Options struct {
	fold.Options
	Store *records.Store
	// Clock keeps the time of everything that asks for it; nil for a keeper of
	// the engine's own. Now is the look at the machine's clocks with which the
	// engine starts.
	Clock *timekeeping.Keeper
	Now   timekeeping.Beat
	// NoticesDue is called, if set, after a commit that holds new notices.
	NoticesDue func()
	// Evaluated is called, if set, with the readings of a batch once alarms
	// have been evaluated with them; Committed with the number of messages
	// acknowledged after a commit. Both must be quick and keep nothing.
	Evaluated func([]sensors.Reading)
	Committed func(messages int)
	// Ask is called, if set, with what is to be published to sensors that must
	// be asked for something. It must not wait.
	Ask func(payload.Request)
	// Progress, if set, is told what has been done and what waits.
	Progress *progress.Board
}

// Sources are the streams of events an engine runs on. Closing Messages ends
// the run.
type Sources struct {
	Messages <-chan sensors.Message
	// Ticks carry looks at the machine's clocks; one or more a second.
	Ticks <-chan timekeeping.Beat
	// Links carry changes of the broker link.
	Links <-chan snapshot.Link
	// Oversize carries messages the link refused for their size.
	Oversize <-chan desk.Refused
	// Notices carry what became of notices, whenever that changes.
	Notices <-chan snapshot.NoticeState
}

// Engine runs the fold on live events: it owns the goroutine, the commits and
// the acknowledgements. It never waits for the disk.
type Engine struct {
	opts     Options
	fold     *fold.Fold
	commit   *committer
	commands chan commandCall
	snapshot atomic.Pointer[snapshot.Snapshot]
	mu       sync.Mutex
	changed  chan struct{}
	ended    chan struct{}
	// left is up to where the time had come when it was last moved back:
	// messages that were received before may still come.
	left time.Time
	// mostUnwritten is how many messages may wait to be written before no more
	// are taken.
	mostUnwritten int
	// owed are the acknowledgements of messages whose readings are held back
	// until the records can be read.
	owed []func()
}

type commandCall struct {
	command fold.Command
	done    chan error
}

// New restores the engine's state from the records as it was after the last
// commit, and publishes a first snapshot. Nothing is written before Run.
func New(ctx context.Context, opts Options) (*Engine, error) {
	e := &Engine{
		opts: opts, commit: newCommitter(opts.Store, opts.Logger, opts.Progress),
		commands: make(chan commandCall), changed: make(chan struct{}), ended: make(chan struct{}),
		mostUnwritten: unwrittenLimit,
	}
	if e.opts.Clock == nil {
		e.opts.Clock = &timekeeping.Keeper{}
	}
	history := past.Recorded{Reader: opts.Store.Reader, Unwritten: e.unwritten, Marked: true}
	var err error
	if e.fold, err = fold.Restore(ctx, opts.Options, opts.Store.Reader, history); err != nil {
		return nil, fmt.Errorf("restore state from %s: %w", opts.Store.Path(), err)
	}
	begin := e.opts.Clock.Start(opts.Now, e.fold.Clock(), e.fold.ClockDoubted())
	e.fold.Doubt(begin.Doubt)
	if err := e.fold.Resume(ctx, begin.Now); err != nil {
		return nil, err
	}
	if err := e.fold.NoteConfiguration(ctx, &opts.Options); err != nil {
		return nil, err
	}
	if err := e.fold.NoteLimits(ctx, begin.Now); err != nil {
		return nil, err
	}
	if err := e.store(job{}); err != nil {
		return nil, err
	}
	e.publish()
	return e, nil
}

// unwritten is everything that the records do not hold yet.
func (e *Engine) unwritten() []*records.Batch {
	return append(e.commit.unwritten(), e.fold.Untaken())
}

// Snapshot returns the newest published state, with what stands in the way of
// writing the records now.
func (e *Engine) Snapshot() *snapshot.Snapshot {
	s := *e.snapshot.Load()
	if problem := e.commit.Problem(); problem != "" {
		s.Store.OK, s.Store.Problem = false, problem
	}
	s.Store.Unwritten = e.commit.messages()
	return &s
}

// Changed returns a channel that is closed when a newer snapshot is published.
func (e *Engine) Changed() <-chan struct{} {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.changed
}

// Waiting are the notices that were decided and are not in the records yet.
func (e *Engine) Waiting() *Unrecorded { return &e.commit.told }

// ErrStopped is returned for commands given to an engine that has ended.
var ErrStopped = errors.New("the engine has stopped")

// ErrNotRecorded is wrapped when a command was carried out and cannot be
// written yet. It will be, unless the program is killed before.
var ErrNotRecorded = errors.New("done, but not recorded yet: the records cannot be written")

// Do carries out a command and returns once it is recorded, or known not to be
// recorded yet.
func (e *Engine) Do(ctx context.Context, command fold.Command) error {
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

// Run handles events until the context ends or the messages do, and writes
// what follows from them. It returns an error when the fold cannot go on, or
// when something is still unwritten as the context ends.
func (e *Engine) Run(ctx context.Context, in Sources) error {
	defer close(e.ended)
	var writing sync.WaitGroup
	var failed error
	writing.Go(func() { failed = e.commit.run(ctx) })
	err := e.handle(ctx, in)
	e.commit.close()
	writing.Wait()
	return errors.Join(err, failed)
}

func (e *Engine) handle(ctx context.Context, in Sources) error {
	// What has begun is brought to its end, also when ctx ends meanwhile.
	working := context.WithoutCancel(ctx)
	for {
		messages := in.Messages
		if e.full() {
			// Memory is bounded: the broker keeps the rest.
			messages = nil
		}
		var err error
		select {
		case <-ctx.Done():
			return e.finish(working)
		case m, open := <-messages:
			if !open {
				return e.finish(working)
			}
			err = e.handleMessages(working, m, in.Messages)
		case <-e.commit.wrote:
		case beat := <-in.Ticks:
			err = e.handleTick(working, beat)
		case link := <-in.Links:
			err = e.handleLink(working, link)
		case refused := <-in.Oversize:
			e.fold.NoteRefused(refused)
		case state := <-in.Notices:
			err = e.handleNotices(working, state)
		case call := <-e.commands:
			err = e.handleCommand(working, call)
		}
		if err != nil {
			return err
		}
		if len(e.owed) > 0 || e.full() {
			e.opts.Progress.Waits(progress.Decide)
		} else {
			e.opts.Progress.Done(progress.Decide)
		}
	}
}

// full reports whether no more messages are taken until some are written.
func (e *Engine) full() bool { return e.commit.messages() >= e.mostUnwritten }

// handleMessages takes the first message and whatever else is already there.
func (e *Engine) handleMessages(ctx context.Context, first sensors.Message, more <-chan sensors.Message) error {
	acks := make([]func(), 0, 64)
	take := func(m sensors.Message) { acks = append(acks, e.admit(m)) }
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
	return e.handleAdmitted(ctx, acks)
}

// admit takes one message in and returns its acknowledgement.
func (e *Engine) admit(m sensors.Message) func() {
	m.Received = e.received(m.Received)
	e.fold.Admit(m)
	return m.Ack
}

// handleAdmitted handles what was admitted and hands on what follows from it.
func (e *Engine) handleAdmitted(ctx context.Context, acks []func()) error {
	if err := e.fold.Handle(ctx); err != nil {
		return err
	}
	if e.fold.KeepDue() {
		if err := e.fold.Keep(ctx); err != nil {
			return err
		}
	}
	e.ask()
	if e.opts.Evaluated != nil {
		e.opts.Evaluated(e.fold.Untaken().Readings)
	}
	acks = append(e.owed, acks...)
	if _, held := e.fold.PutOff(); held > 0 {
		// Which of these messages is held back is not worth telling apart.
		e.owed, acks = acks, nil
	} else {
		e.owed = nil
	}
	return e.store(job{acks: acks})
}

func (e *Engine) handleTick(ctx context.Context, beat timekeeping.Beat) error {
	now := e.opts.Clock.Beat(beat, e.fold.Sights())
	if step := now.Step; step != nil {
		if err := e.fold.AdvanceTo(ctx, step.From); err != nil {
			return err
		}
		e.left = desk.Later(e.fold.Clock(), step.Given)
		if err := e.fold.Step(ctx, *step); err != nil {
			return err
		}
		e.opts.Logger.Warn("the time was moved", "from", step.From, "to", step.To, "why", step.Why)
	}
	e.fold.Doubt(now.Doubt)
	if err := e.fold.AdvanceTo(ctx, now.Now); err != nil {
		return err
	}
	if len(e.owed) > 0 {
		if err := e.handleAdmitted(ctx, nil); err != nil {
			return err
		}
	}
	e.fold.Converse(now.Now)
	e.ask()
	if err := e.noteParts(ctx); err != nil {
		return err
	}
	if err := e.store(job{}); err != nil {
		return err
	}
	e.publish()
	e.opts.Progress.Done(progress.Tick)
	return nil
}

// noteParts takes note of how the records and the delivery of notices stand.
func (e *Engine) noteParts(ctx context.Context) error {
	problem := e.commit.Problem()
	if problem == "" {
		problem, _ = e.fold.PutOff()
	}
	return e.fold.NoteParts(ctx, problem, e.opts.Store.Trouble())
}

// stampedWithin is how long a message may take from the link to the engine.
const stampedWithin = time.Minute

// received is when a message was received by the time as it is now. One that
// was stamped just before the time was moved back would lie ahead, and take the
// engine there.
func (e *Engine) received(at time.Time) time.Time {
	off, ahead := e.left.Sub(at).Abs(), at.Sub(e.fold.Clock())
	if off < stampedWithin && ahead > off {
		return e.fold.Clock()
	}
	return at
}

func (e *Engine) handleLink(ctx context.Context, link snapshot.Link) error {
	if err := e.fold.Link(ctx, link); err != nil {
		return err
	}
	e.ask()
	e.publish()
	return e.store(job{})
}

// handleNotices takes note of what became of notices.
func (e *Engine) handleNotices(ctx context.Context, state snapshot.NoticeState) error {
	e.fold.SetNotices(state)
	return e.noteParts(ctx)
}

// ask hands on what is to be published to sensors.
func (e *Engine) ask() {
	for _, request := range e.fold.TakeRequests() {
		if e.opts.Ask != nil {
			e.opts.Ask(request)
		}
	}
}

// handleCommand carries out a command. A refusal is the caller's and not an
// error of the run.
func (e *Engine) handleCommand(ctx context.Context, call commandCall) error {
	err := e.fold.Do(ctx, call.command)
	if errors.Is(err, fold.ErrRefused) {
		call.done <- err
		// The time that passed up to it is kept all the same.
		return e.store(job{})
	}
	if err != nil {
		return err
	}
	if _, ok := call.command.(fold.ConfirmClock); ok {
		e.opts.Clock.Confirm()
	}
	e.publish()
	return e.store(job{done: call.done})
}

// store hands what the fold has gathered to the committer, which acknowledges
// the messages and answers the caller once it is on disk.
func (e *Engine) store(j job) error {
	batch, err := e.fold.TakeBatch()
	if err != nil {
		return err
	}
	if batch == nil && len(j.acks) == 0 && j.done == nil {
		return nil
	}
	j.batch = batch
	acks := j.acks
	j.after = func() {
		for _, ack := range acks {
			ack()
		}
		if len(acks) > 0 && e.opts.Committed != nil {
			e.opts.Committed(len(acks))
		}
		if batch != nil && len(batch.Outbox) > 0 && e.opts.NoticesDue != nil {
			e.opts.NoticesDue()
		}
	}
	e.commit.submit(j)
	return nil
}

// finish hands over what is left, and the state for the next start.
func (e *Engine) finish(ctx context.Context) error {
	if err := e.fold.Keep(ctx); err != nil {
		return err
	}
	if err := e.store(job{}); err != nil {
		return err
	}
	e.publish()
	return nil
}

func (e *Engine) publish() {
	s := e.fold.Snapshot()
	s.Store = snapshot.Store{Path: e.opts.Store.Path(), OK: true}
	if problem, _ := e.fold.PutOff(); problem != "" {
		s.Store.OK, s.Store.Problem = false, problem
	}
	e.snapshot.Store(s)
	e.mu.Lock()
	close(e.changed)
	e.changed = make(chan struct{})
	e.mu.Unlock()
}
