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

	"rearguard/daemon/progress"
	"rearguard/daemon/records"
)

// The pause between attempts to write to records that fail, first and
// longest.
const (
	commitRetryFirst   = 500 * time.Millisecond
	commitRetryLongest = 15 * time.Second
)

// unwrittenLimit bounds the messages that wait to be written: no more of them
// can be under way from an MQTT broker at once, whose packet identifiers have
// 16 bits (MQTT 3.1.1 section 2.3.1). At about 600 bytes a message of two
// values this is 40 MB. Once it is reached no further message is taken until
// some are written.
const unwrittenLimit = 65_535

// joinedReadings is about how many readings are joined in one transaction, so
// that after an outage the first acknowledgements do not wait for the last.
const joinedReadings = 50_000

// committer writes batches in order in a goroutine of its own. Handing a batch
// over never waits: what gathers while one goes to disk, or while the disk
// fails, is joined in the next transaction. What cannot be written is tried
// again until it is; meanwhile its messages stay unacknowledged, so nothing is
// lost.
type committer struct {
	store    *records.Store
	logger   *slog.Logger
	progress *progress.Board
	told     Unrecorded
	// wake has room for one word that something was handed over, wrote for one
	// that something was written.
	wake, wrote chan struct{}
	// problem is what stands in the way of writing now, nil when nothing.
	problem atomic.Pointer[string]

	mu sync.Mutex
	// jobs are those not written yet, oldest first; the first taken of them are
	// being written.
	jobs   []job
	taken  int
	closed bool
	// acks counts the messages of all jobs.
	acks int
}

// job is one thing to be written, and what follows from it.
type job struct {
	batch *records.Batch
	acks  []func()
	// done is answered when the job is written, or known to be late.
	done chan error
	// after is called once it is written.
	after func()
}

func newCommitter(store *records.Store, logger *slog.Logger, board *progress.Board) *committer {
	c := &committer{store: store, logger: logger, progress: board, wake: make(chan struct{}, 1), wrote: make(chan struct{}, 1)}
	c.told.init(c, store)
	return c
}

// signal leaves a word in a channel with room for one.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// submit hands a job over. It never waits.
func (c *committer) submit(j job) {
	c.mu.Lock()
	if j.batch != nil {
		c.supersede(j.batch.State)
	}
	c.jobs = append(c.jobs, j)
	c.acks += len(j.acks)
	c.progress.Waits(progress.Commit)
	c.mu.Unlock()
	if problem := c.problem.Load(); problem != nil {
		answer(&j, fmt.Errorf("%w: %s", ErrNotRecorded, *problem))
	}
	signal(c.wake)
}

// supersede drops blobs that a newer batch replaces before they were written:
// checkpoints are large, and only the newest counts.
func (c *committer) supersede(state map[string][]byte) {
	for name := range state {
		for i := c.taken; i < len(c.jobs); i++ {
			if b := c.jobs[i].batch; b != nil {
				delete(b.State, name)
			}
		}
	}
}

// answer tells who waits for a job what became of it, once.
func answer(j *job, err error) {
	if j.done == nil {
		return
	}
	select {
	case j.done <- err:
	default:
	}
}

// messages is how many messages wait to be acknowledged.
func (c *committer) messages() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.acks
}

// Problem is what stands in the way of writing now, empty for nothing.
func (c *committer) Problem() string {
	if p := c.problem.Load(); p != nil {
		return *p
	}
	return ""
}

// unwritten are the batches that are not in the records yet, oldest first.
func (c *committer) unwritten() []*records.Batch {
	c.mu.Lock()
	defer c.mu.Unlock()
	list := make([]*records.Batch, 0, len(c.jobs)+1)
	for i := range c.jobs {
		if b := c.jobs[i].batch; b != nil {
			list = append(list, b)
		}
	}
	return list
}

// close says that nothing more will be handed over.
func (c *committer) close() {
	c.mu.Lock()
	c.closed = true
	c.mu.Unlock()
	signal(c.wake)
}

// run writes until the committer is closed and everything is written, or until
// ctx ends while the records cannot be written.
func (c *committer) run(ctx context.Context) error {
	for {
		jobs, closed := c.take()
		if len(jobs) == 0 {
			if closed {
				return nil
			}
			<-c.wake
			continue
		}
		if err := c.write(ctx, jobs); err != nil {
			return err
		}
		c.drop(jobs)
	}
}

// take joins the oldest jobs that wait, and says whether more can come.
func (c *committer) take() (jobs []job, closed bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	readings := 0
	for c.taken < len(c.jobs) && readings < joinedReadings {
		if b := c.jobs[c.taken].batch; b != nil {
			readings += len(b.Readings)
		}
		c.taken++
	}
	return c.jobs[:c.taken:c.taken], c.closed
}

// drop lets go of jobs that are written, and does what follows from them.
func (c *committer) drop(jobs []job) {
	c.mu.Lock()
	c.jobs, c.taken = slices.Clone(c.jobs[len(jobs):]), 0
	for i := range jobs {
		c.acks -= len(jobs[i].acks)
	}
	c.progress.Done(progress.Commit)
	if len(c.jobs) > 0 {
		c.progress.Waits(progress.Commit)
	}
	c.mu.Unlock()
	for i := range jobs {
		jobs[i].after()
		answer(&jobs[i], nil)
	}
	signal(c.wrote)
}

// write commits jobs together, and tries again until that succeeds.
func (c *committer) write(ctx context.Context, jobs []job) error {
	pause := commitRetryFirst
	for {
		err := c.attempt(ctx, jobs, c.store.Commit)
		if err == nil || errors.Is(err, records.ErrClosed) {
			return err
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return fmt.Errorf("stopped while the records could not be written: %w", err)
		case <-timer.C:
		}
		pause = min(2*pause, commitRetryLongest)
	}
}

// attempt commits jobs together, once.
func (c *committer) attempt(ctx context.Context, jobs []job, commit Commit) error {
	batches := make([]*records.Batch, 0, len(jobs))
	for i := range jobs {
		if b := jobs[i].batch; b != nil {
			batches = append(batches, b)
		}
	}
	if len(batches) == 0 {
		return nil
	}
	c.told.mark(batches)
	if err := commit(context.WithoutCancel(ctx), batches...); err != nil {
		c.fail(err)
		return err
	}
	c.told.written(batches)
	if c.problem.Swap(nil) != nil {
		c.logger.Info("records can be written again")
	}
	return nil
}

// fail notes that the records cannot be written, and answers everybody who
// waits for them.
func (c *committer) fail(err error) {
	text := err.Error()
	if c.problem.Swap(&text) == nil {
		c.logger.Error("records cannot be written; what happens is kept in memory and messages stay with the broker until they can", "error", err)
	}
	c.mu.Lock()
	late := slices.Clone(c.jobs)
	c.mu.Unlock()
	for i := range late {
		answer(&late[i], fmt.Errorf("%w: %s", ErrNotRecorded, text))
	}
	c.told.failed()
}
