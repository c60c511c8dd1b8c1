package service

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"rearguard/alerts/notify"
	"rearguard/daemon/facility"
	"rearguard/daemon/progress"
	"rearguard/daemon/proof"
	"rearguard/daemon/snapshot"
)

// proving keeps how the proof stands that all works. It is safe for use by
// several goroutines.
type proving struct {
	mu  sync.Mutex
	now snapshot.Proof
}

func (p *proving) get() snapshot.Proof {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.now
}

func (p *proving) change(f func(*snapshot.Proof)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f(&p.now)
}

// proofs are what the service proves of itself, and who is told.
type proofs struct{ *service }

// missing is what there is of the proof now that does not hold.
func (s proofs) missing(ctx context.Context) []string {
	return proof.Missing(ctx, s.now(), s.engine.Snapshot(), s.progress.Report(), s.store.Pages().Has)
}

// prove keeps the proof until ctx ends.
func (s proofs) prove(ctx context.Context) {
	s.eachTick(ctx, func() {
		missing, now := s.missing(ctx), s.now()
		if ctx.Err() != nil {
			return
		}
		s.proof.change(func(p *snapshot.Proof) {
			if p.Missing = missing; len(missing) == 0 {
				p.At = now
			}
		})
	})
}

// outside calls an address outside the site again and again.
type outside struct {
	// name says in the log who is called.
	name   string
	every  time.Duration
	client *http.Client
	// call makes one call.
	call func(context.Context, *http.Client) error

	due    time.Duration
	failed int
}

// turn calls if it is time, by the time since the start, and says what came of
// it.
func (o *outside) turn(ctx context.Context, elapsed time.Duration) error {
	if elapsed < o.due {
		return nil
	}
	if err := o.call(ctx, o.client); err != nil {
		o.failed++
		o.due = elapsed + notify.Pause(err, o.failed, rand.Float64(), o.every)
		return err
	}
	o.due, o.failed = elapsed+o.every, 0
	return nil
}

// heartbeat is the address of the configuration as it is called.
func (s proofs) heartbeat(h *facility.Heartbeat) (*outside, error) {
	roots, err := facility.Authorities(h.CAFile)
	if err != nil {
		return nil, fmt.Errorf("heartbeat: %w", err)
	}
	return &outside{name: "heartbeat", every: h.Every, client: notify.NewHTTPClient(roots), call: func(ctx context.Context, client *http.Client) error {
		address, err := h.Address()
		if err != nil {
			return err
		}
		request, err := http.NewRequestWithContext(ctx, strings.ToUpper(h.Method), address, http.NoBody)
		if err != nil {
			return fmt.Errorf("the address of the heartbeat cannot be called")
		}
		request.Header.Set("User-Agent", "rearguard")
		_, err = notify.Exchange(client, request, "the watcher outside", s.now(), address)
		return err
	}}, nil
}

// beat tells the watcher outside, until ctx ends, that all is proven, and nothing
// while it is not: then the watcher is to call people. That it cannot be told is
// shown and no alarm of its own, since the watcher sees to that.
func (s proofs) beat(ctx context.Context) {
	var of *facility.Heartbeat
	var to *outside
	s.eachTick(ctx, func() {
		h := s.inForce().Heartbeat
		if h != of {
			of, to = h, nil
			s.proof.change(func(p *snapshot.Proof) { p.Problem = "" })
		}
		if h == nil {
			return
		}
		if to == nil {
			var err error
			if to, err = s.heartbeat(h); err != nil {
				s.proof.change(func(p *snapshot.Proof) { p.Problem = err.Error() })
				return
			}
		}
		if s.elapsed() < to.due || len(s.missing(ctx)) > 0 {
			return
		}
		err := to.turn(ctx, s.elapsed())
		if ctx.Err() == nil {
			s.noteBeat(err)
		}
	})
}

// noteBeat takes note of what came of a call of the watcher outside.
func (s proofs) noteBeat(err error) {
	before := s.proof.get().Problem
	problem := ""
	if err != nil {
		problem = err.Error()
	}
	switch {
	case problem != "" && problem != before:
		s.Logger.Error("the watcher outside cannot be told that all is well; it will be tried again", "error", err)
	case problem == "" && before != "":
		s.Logger.Info("the watcher outside is told again that all is well")
	}
	now := s.now()
	s.proof.change(func(p *snapshot.Proof) {
		if p.Problem = problem; err == nil {
			p.Told = now
		}
	})
}

// supervise tells the service manager that started this program, if one did, when
// it works and that it still gets on, until ctx ends. It works once the engine
// has let time pass: a broker that is down is waited for. It gets on as long as
// the engine does that again and again and what is written comes to an end.
func (s proofs) supervise(ctx context.Context) {
	limit, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		s.Logger.Warn("the watchdog of the service manager cannot be used", "error", err)
	}
	ready, beaten, turns, status := false, time.Duration(0), int64(0), ""
	s.eachTick(ctx, func() {
		now, elapsed := s.progress.Turns(progress.Tick), s.elapsed()
		if now == turns || !proof.Alive(s.progress.Report(), s.engine.Snapshot().Store.OK) {
			return
		}
		var tell []string
		if !ready {
			ready, tell = true, append(tell, daemon.SdNotifyReady)
		}
		if limit > 0 && (beaten == 0 || elapsed-beaten >= limit/2-s.TickEvery) {
			beaten, tell = elapsed, append(tell, daemon.SdNotifyWatchdog)
		}
		if words := statusOf(s.proof.get()); words != status {
			status, tell = words, append(tell, "STATUS="+words)
		}
		turns = now
		s.tellManager(tell...)
	})
	s.tellManager(daemon.SdNotifyStopping)
}

// statusOf is how the proof stands, in one line.
func statusOf(p snapshot.Proof) string {
	switch {
	case len(p.Missing) > 0:
		return "not all is well: " + strings.Join(p.Missing, "; ")
	case p.At.IsZero():
		return "starting"
	}
	return "all is well"
}

func (s proofs) tellManager(lines ...string) {
	if len(lines) == 0 {
		return
	}
	if _, err := daemon.SdNotify(false, strings.Join(lines, "\n")); err != nil {
		s.Logger.Warn("the service manager cannot be told how rearguard gets on", "error", err)
	}
}

// Snapshot is the state, and how the proof stands that it is worth something.
func (e *claimingEngine) Snapshot() *snapshot.Snapshot {
	now := e.Engine.Snapshot()
	now.Proof = e.proof.get()
	now.Proof.Missing = slices.Clone(now.Proof.Missing)
	return now
}
