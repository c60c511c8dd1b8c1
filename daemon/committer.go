package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"rearguard/daemon/records"
)

// The pause between attempts to write to records that fail, first and
// longest.
const (
	commitRetryFirst   = 500 * time.Millisecond
	commitRetryLongest = 15 * time.Second
)

// committer writes batches in order in a goroutine of its own, so that the
// next batch is handled while the last one goes to disk. One batch may wait;
// a further one blocks, which in turn lets the broker hold back. A batch that
// cannot be written is tried again until it is: its messages stay
// unacknowledged, so nothing is lost while the disk is full.
type committer struct {
	store  *records.Store
	logger *slog.Logger

	work chan commitJob
	done chan struct{}
	// ended is closed when nothing more will be written; failure says why.
	ended   chan struct{}
	failure error
	// problem is what stands in the way of writing now, nil when nothing.
	problem atomic.Pointer[string]
}

type commitJob struct {
	batch *records.Batch
	after func()
}

func newCommitter(store *records.Store, logger *slog.Logger) *committer {
	return &committer{
		store: store, logger: logger,
		work: make(chan commitJob, 1), done: make(chan struct{}), ended: make(chan struct{}),
	}
}

// run writes until the work channel is closed, or until ctx ends while the
// records cannot be written.
func (c *committer) run(ctx context.Context) {
	defer close(c.done)
	defer close(c.ended)
	for job := range c.work {
		if job.batch != nil {
			if err := c.write(ctx, job.batch); err != nil {
				c.failure = err
				return
			}
		}
		job.after()
	}
}

func (c *committer) write(ctx context.Context, batch *records.Batch) error {
	pause := commitRetryFirst
	for {
		err := c.store.Commit(context.WithoutCancel(ctx), batch)
		if err == nil {
			if c.problem.Swap(nil) != nil {
				c.logger.Info("records can be written again")
			}
			return nil
		}
		text := err.Error()
		if c.problem.Swap(&text) == nil {
			c.logger.Error("records cannot be written; messages stay with the broker until they can", "error", err)
		}
		if errors.Is(err, records.ErrClosed) {
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

// submit hands a batch over; after is called once it is on disk. It waits
// while another batch is waiting.
func (c *committer) submit(batch *records.Batch, after func()) error {
	select {
	case c.work <- commitJob{batch, after}:
		return nil
	case <-c.ended:
		return c.failure
	}
}

// flush waits until everything submitted is on disk.
func (c *committer) flush() error {
	reached := make(chan struct{})
	if err := c.submit(nil, func() { close(reached) }); err != nil {
		return err
	}
	select {
	case <-reached:
		return nil
	case <-c.ended:
		return c.failure
	}
}

// stop waits for the last batch.
func (c *committer) stop() error {
	close(c.work)
	<-c.done
	return c.failure
}
