// Package service is the daemon as a command runs it: records, engine, broker
// link, notices and pages together, from start to an orderly stop.
package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"rearguard/alerts/notify"
	"rearguard/alerts/notify/circuit"
	"rearguard/alerts/peers"
	"rearguard/daemon"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/progress"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/records"
	"rearguard/daemon/records/phones"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/dashboards"
	"rearguard/dashboards/web"
	"rearguard/dashboards/web/technician"
	"rearguard/sensors"
	"rearguard/sensors/broker"
	"rearguard/sensors/desk"
	"rearguard/sensors/payload"
)

// TickEvery is how often the engine of a facility looks at the clock.
const TickEvery = time.Second

// stopWithin bounds an orderly stop.
const stopWithin = 20 * time.Second

// Options say what to run. The subcommands run and demo differ only in what
// they put in here.
type Options struct {
	Facility *facility.Facility
	// Config is the configuration file, empty when there is none.
	Config  string
	Catalog *species.Catalog
	// Version is that of the program, as pages and metrics show it.
	Version string
	Logger  *slog.Logger
	// Clocks looks at the clocks the whole service goes by; the engine does so
	// every TickEvery of the wall clock.
	Clocks    func() timekeeping.Beat
	TickEvery time.Duration
	// Disciplined, if set, says whether the machine's clock follows a source of
	// time now.
	Disciplined func() bool
	// Hangup, if set, brings the signals on which the configuration file is read
	// again.
	Hangup <-chan os.Signal
	// Listener takes the connections to the pages.
	Listener net.Listener
	// Invented, ForecastEvery, Evaluated and Committed are the engine's
	// options of the same names.
	Invented      bool
	ForecastEvery time.Duration
	Evaluated     func([]sensors.Reading)
	Committed     func(messages int)
	// AtEnd, if set, is called when everything has stopped, before the
	// records are closed.
	AtEnd func(*records.Store) error
}

// service is a running daemon.
type service struct {
	Options
	clock  timekeeping.Keeper
	store  *records.Store
	engine *daemon.Engine
	link   *broker.Link
	// site is the engine as pages see it.
	site *claimingEngine
	// notifier delivers notices over the channels, unrecorded those that cannot
	// be recorded.
	notifier   *notify.Worker
	unrecorded *notify.Unrecorded
	circuits   *circuit.Board
	channels   map[string]notify.Channel
	relay      relaying
	desks
	// refused are messages that the link did not take, requests those that
	// sensors are to be sent.
	refused  *broker.Ring
	requests chan payload.Request
	notes    recordsNote
	pages    *http.Server
	progress *progress.Board
	proven
}

// proven is what is proven to work here, and seen of other sites.
type proven struct {
	proof proving
	peers peers.Watch
	// elapsed is the time since the start.
	elapsed func() time.Duration
}

// desks are what pages see of those who are told.
type desks struct {
	phones *phoneDesk
	people *peopleDesk
}

// refusedKept bounds how many refused messages wait to be passed on.
const refusedKept = 100

// Run starts everything, calls ready with the running engine, and stops
// everything when ctx ends or a part fails. What has been received by then is
// stored before it returns.
func Run(ctx context.Context, o Options, ready func(*daemon.Engine)) (err error) {
	// The engine outlives ctx, to store what the link still holds; hard ends
	// it when that takes too long.
	hard, kill := context.WithCancel(context.WithoutCancel(ctx))
	defer kill()
	ctx, stop := context.WithCancel(ctx)
	defer stop()

	s := &service{Options: o, refused: broker.NewRing(refusedKept), requests: make(chan payload.Request, requestsWaiting), notes: make(recordsNote, 1), circuits: circuit.New()}
	started := time.Now()
	s.elapsed = func() time.Duration { return time.Since(started) }
	s.progress = progress.New(s.elapsed)
	if err := s.openRecords(ctx); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.store.Close()) }()
	if err := s.buildOn(ctx, hard); err != nil {
		return err
	}

	running := parts{stop: stop}
	s.start(ctx, hard, &running)
	ready(s.engine)
	<-ctx.Done()
	deadline := time.AfterFunc(stopWithin, kill)
	defer deadline.Stop()
	closing, done := context.WithTimeout(hard, stopWithin)
	defer done()
	err = errors.Join(s.pages.Shutdown(closing), running.wait())
	if o.AtEnd != nil {
		err = errors.Join(err, o.AtEnd(s.store))
	}
	return err
}

// build makes the parts and connects them, before any of them runs. The engine
// works until hard ends.
func (s *service) build(hard context.Context) (err error) {
	s.phones = &phoneDesk{clock: s.now, facility: s.inForce}
	if s.phones.book, err = phones.Open(hard, s.store); err != nil {
		return err
	}
	if err = s.openLinks(); err != nil {
		return err
	}
	if err = s.buildRelay(hard); err != nil {
		return err
	}
	if s.channels, err = channels(s.Facility, s.phones.book, s.Logger); err != nil {
		return err
	}
	s.phones.useChannels(s.channels)
	telling := notify.Options{Now: s.now, Random: rand.Float64, Logger: s.Logger, Roster: s.roster, Round: s.noteRound, Answer: s.people.make, Circuits: s.circuits}
	s.notifier = notify.NewWorker(s.store, s.channels, telling)
	if s.engine, err = daemon.New(hard, daemon.Options{
		Options: fold.Options{
			Facility: s.Facility, Catalog: s.Catalog, Logger: s.Logger, Invented: s.Invented, ForecastEvery: s.ForecastEvery,
		},
		Store: s.store, Clock: &s.clock, Now: s.look(), NoticesDue: s.notifier.Wake, Evaluated: s.Evaluated, Committed: s.Committed, Ask: s.ask,
		Progress: s.progress,
	}); err != nil {
		return err
	}
	waiting := s.engine.Waiting()
	s.unrecorded = notify.NewUnrecorded(waiting, s.channels, telling)
	waiting.OnTrouble(s.unrecorded.Wake)
	proofs{s}.watchPeers()
	return s.connect()
}

// connect makes the two ways in: the link to the broker, and the pages.
func (s *service) connect() error {
	config, err := s.linkConfig()
	if err != nil {
		return err
	}
	if s.link, err = broker.New(config, s.Logger); err != nil {
		return err
	}
	s.site = &claimingEngine{
		Engine: s.engine, link: s.link, config: s.Config, clock: s.now, started: s.Facility, proof: &s.proof,
		useTargets: s.relay.Use,
		channels: func(f *facility.Facility) (map[string]notify.Channel, error) {
			return channels(f, s.phones.book, s.Logger)
		},
		useChannels: []func(map[string]notify.Channel){s.notifier.UseChannels, s.unrecorded.UseChannels, s.phones.useChannels},
	}
	began := &inForce{catalog: s.Catalog, state: technician.Configuration{File: s.Config, ReadAt: s.now(), By: "start"}}
	began.use(s.Facility)
	s.site.now.Store(began)
	pages := web.Options{Log: s.Logger, History: s.history, Alarms: alarmRecords{s}, Phones: s.phones, People: s.people, Links: s.people.links, Progress: s.progress.Report, Peer: proofs{s}.takeBeat, Access: s.access()}
	if s.Config != "" {
		pages.Configuration = s.site.Configuration
	}
	s.pages, err = dashboards.Server(s.site, s.Version, pages)
	return err
}

// start starts the parts. All end with ctx, but the engine, which ends when
// the link has handed over its last message or hard ends.
func (s *service) start(ctx, hard context.Context, running *parts) {
	ticks := make(chan timekeeping.Beat)
	links := make(chan snapshot.Link)
	oversize := make(chan desk.Refused)
	notices := make(chan snapshot.NoticeState)
	running.add("engine", func() error {
		return s.engine.Run(hard, daemon.Sources{
			Messages: s.link.Messages(), Ticks: ticks, Links: links, Oversize: oversize, Notices: notices,
		})
	})
	running.add("broker link", func() error { return s.link.Run(ctx) })
	running.add("pages", func() error {
		if err := s.pages.Serve(dashboards.Bound(s.Listener, dashboards.MostConnections, dashboards.MostOfOne, s.Facility.Web.ProxyNetworks())); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	for _, work := range []func(){
		func() { s.relayLinks(ctx, links) },
		func() { s.relayRefused(ctx, oversize) },
		func() { s.relayNotices(ctx, notices) },
		func() { s.notifier.Run(ctx) },
		func() { s.followClock(ctx) },
		func() { s.tellAlertmanagers(ctx) },
		func() { s.followAlarms(ctx) },
		func() { s.keepBook(ctx) },
		func() { s.unrecorded.Run(ctx) },
		func() { s.drill(ctx) },
		func() { s.askSensors(ctx) },
		func() { s.eachTick(ctx, func() { handOver(ctx, ticks, s.look()) }) },
		func() { s.packHistory(ctx) },
		func() { s.reloadOn(ctx, s.Hangup) },
		func() { s.tendRecords(ctx) },
		func() { proofs{s}.prove(ctx) },
		func() { proofs{s}.beat(ctx) },
		func() { proofs{s}.beatPeers(ctx) },
		func() { proofs{s}.supervise(ctx) },
	} {
		running.Go(work)
	}
}

// eachTick calls do every TickEvery until ctx ends.
func (s *service) eachTick(ctx context.Context, do func()) {
	ticker := time.NewTicker(s.TickEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			do()
		}
	}
}

// handOver sends v unless ctx ends first.
func handOver[T any](ctx context.Context, out chan<- T, v T) {
	select {
	case <-ctx.Done():
	case out <- v:
	}
}

// parts are what runs side by side. Where one that can fail ends, for whatever
// reason, all are to stop.
type parts struct {
	sync.WaitGroup
	stop context.CancelFunc

	mu      sync.Mutex
	failure error
}

// add runs a part that can fail in a goroutine of its own.
func (p *parts) add(name string, run func() error) {
	p.Go(func() {
		defer p.stop()
		if err := run(); err != nil {
			p.mu.Lock()
			defer p.mu.Unlock()
			p.failure = errors.Join(p.failure, fmt.Errorf("%s: %w", name, err))
		}
	})
}

// wait returns once all have ended, with what failed.
func (p *parts) wait() error {
	p.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.failure
}
