package alarms

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"sync"
	"sync/atomic"

	"rearguard/daemon/lookback"
)

// trials try limits on the past, one question at a time: an answer may go
// through more than a year of history, which must not be had by anybody who
// opens a page. The newest is kept until another is asked.
type trials struct {
	records Records

	mu     sync.Mutex
	newest *trial
	closed bool
}

// trial is one question, and what has become of it.
type trial struct {
	ask lookback.Question
	// typed is the form as it was sent.
	typed url.Values
	stop  func()
	// share is how much of the past has been gone through, in thousandths.
	share atomic.Int64
	ended chan struct{}
	// answer and err are set before ended is closed.
	answer *lookback.Answer
	err    error
}

// running says whether the answer is still being worked out.
func (t *trial) running() bool {
	select {
	case <-t.ended:
		return false
	default:
		return true
	}
}

// percent is how much of the past has been gone through.
func (t *trial) percent() int64 { return t.share.Load() / 10 }

// last is the newest trial, nil when there was none.
func (s *trials) last() *trial {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.newest
}

// start begins to work out an answer, unless another is being worked out.
func (s *trials) start(ask lookback.Question, typed url.Values) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return errors.New("rearguard is stopping")
	}
	if now := s.newest; now != nil && now.running() {
		return fmt.Errorf("limits of room %s are being tried on %d days already (%d %% done): wait for that, or stop it", now.ask.Room, now.ask.Days, now.percent())
	}
	ctx, cancel := context.WithCancel(context.Background())
	t := &trial{ask: ask, typed: typed, stop: cancel, ended: make(chan struct{})}
	s.newest = t
	go func() {
		defer close(t.ended)
		defer cancel()
		defer func() {
			// Nobody else would catch it, and it must not take the alarms along.
			if fault := recover(); fault != nil {
				t.err = fmt.Errorf("a fault of rearguard: %v", fault)
			}
		}()
		t.answer, t.err = s.records.WithLimits(ctx, ask, func(share float64) { t.share.Store(int64(1000 * min(max(share, 0), 1))) })
	}()
	return nil
}

// cancel stops the trial that runs, and waits until it has.
func (s *trials) cancel() {
	if t := s.last(); t != nil {
		t.stop()
		<-t.ended
	}
}

// Close stops the trial that runs; none can be started any more.
func (s *trials) Close() {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.cancel()
}
